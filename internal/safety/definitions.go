package safety

import (
	"time"

	"boxd/internal/alarm"
	"boxd/internal/say"
)

// Definitions are the alarms of the box. Delays follow the starting points of
// ISA-18.2 and EEMUA 191 (15 s for flow and pressure; from memory), shorter for
// what can hurt: backflow signs within five seconds (common practice, no source).
// Times to respond are common practice, no source: how long until the
// consequence does harm that can't be undone.
func Definitions() []alarm.Definition {
	return withLives(append(supplyDefinitions(), append(feedDefinitions(), boxDefinitions()...)...))
}

// everywhere is every step, for what doesn't wait for a run.
func everywhere() []string { return []string{"ready", "pressurise", "inject", "flush", "secure"} }

// wet are the steps in which water may run, ready too: nobody has to start a run
// to irrigate.
func wet() []string { return []string{"ready", "pressurise", "inject", "flush"} }

// supplyDefinitions: what the supply, the header and the filter do.
func supplyDefinitions() []alarm.Definition {
	const s, m = time.Second, time.Minute
	return []alarm.Definition{
		{ID: "backflow-protection-missing", Priority: alarm.Critical, Respond: 10 * m, Steps: everywhere(),
			Cause:       say.T("no device is declared, it is not of the class demanded, or its test is overdue"),
			Consequence: say.T("fertilizer could reach drinking water"),
			Do:          say.T("Do not inject. Have the protection tested by a licensed tester; local codes decide.")},
		{ID: "backflow-sign", Priority: alarm.Critical, OnDelay: 5 * s, OffDelay: 10 * s, Latches: true, Respond: m, Steps: everywhere(),
			Cause:       say.T("the supply is lost or drawn down below the line, a field above the box drains back, or a gauge is wrong"),
			Consequence: say.T("line water may be flowing back to the supply"),
			Do:          say.T("Close the shutoff valve now. Do not use the supply for drinking until it has been checked.")},
		{ID: "supply-pressure-low", Priority: alarm.Critical, OnDelay: 5 * s, OffDelay: 15 * s, Respond: 2 * m, Steps: everywhere(),
			Cause:       say.T("a pump that stopped, a break in the main, too much drawn elsewhere"),
			Consequence: say.T("the line can siphon back and the rows are not fed"),
			Do:          say.T("Close the shutoff valve, find out why the supply sags.")},
		{ID: "header-pressure-low", Priority: alarm.High, OnDelay: 20 * s, OffDelay: 15 * s, Respond: 10 * m, Steps: wet(),
			Cause:       say.T("a weak supply, a clogged filter, a burst, a wrong regulator, or stock let in before the lines were at pressure"),
			Consequence: say.T("rows are fed unevenly"),
			Do:          say.T("Look for a burst, a clogged filter, a weak supply or a wrong regulator.")},
		{ID: "header-pressure-high", Priority: alarm.High, OnDelay: 10 * s, OffDelay: 15 * s, Respond: 5 * m, Steps: everywhere(),
			Cause:       say.T("a regulator that creeps or is set too high, rows shut"),
			Consequence: say.T("tape can burst"),
			Do:          say.T("Close the shutoff valve a little; check the regulator.")},
		{ID: "filter-clogging", Priority: alarm.High, OnDelay: 30 * s, OffDelay: 60 * s, Respond: 30 * m, Steps: wet(),
			Cause:       say.T("dirt on the screen"),
			Consequence: say.T("flow and header pressure will fall"),
			Do:          say.T("Clean the filter: close the shutoff valve, relieve the pressure, then open it.")},
		{ID: "filter-torn", Priority: alarm.High, OnDelay: 60 * s, OffDelay: 60 * s, Respond: 30 * m, Steps: wet(),
			Cause:       say.T("a torn or badly seated screen"),
			Consequence: say.T("dirt reaches the emitters"),
			Do:          say.T("Stop and look at the screen; replace it if torn.")},
	}
}

// feedDefinitions: what the injector, the rows and the fertilizer do.
func feedDefinitions() []alarm.Definition {
	const s, m = time.Second, time.Minute
	feed := []string{"inject"}
	return []alarm.Definition{
		{ID: "injector-not-cycling", Priority: alarm.High, OnDelay: 30 * s, OffDelay: 10 * s, Respond: 10 * m, Steps: feed,
			Cause:       say.T("too little pressure difference across it, air in the suction hose, a shut valve, a worn seal"),
			Consequence: say.T("no fertilizer goes in"),
			Do:          say.T("Check the suction hose for air, the stock level, both injector valves and the pressure difference.")},
		{ID: "ratio-off", Priority: alarm.Low, Grave: alarm.High, OnDelay: 180 * s, OffDelay: 60 * s, Respond: 30 * m, Steps: feed,
			Cause:       say.T("the dial, a clogged suction screen, worn seals, flow outside the injector's range"),
			Consequence: say.T("the dose is off"),
			Do:          say.T("Check the dial, the suction screen and the injector's seals.")},
		{ID: "flow-above-expected", Priority: alarm.High, OnDelay: 15 * s, OffDelay: 30 * s, Respond: 10 * m, Steps: wet(),
			Cause:       say.T("a burst, an open row end, a leaking connector"),
			Consequence: say.T("water and fertilizer leave where no plant gets them"),
			Do:          say.T("Walk the rows: look for a burst tape, an open end or a leaking connector.")},
		{ID: "flow-below-expected", Priority: alarm.Low, OnDelay: 60 * s, OffDelay: 30 * s, Respond: 60 * m, Steps: wet(),
			Cause:       say.T("a row shut or kinked, clogged emitters"),
			Consequence: say.T("some plants get less"),
			Do:          say.T("Look for a closed or kinked row and clogged emitters.")},
		{ID: "ec-above-limit", Priority: alarm.High, OnDelay: 30 * s, OffDelay: 30 * s, Respond: 5 * m, Steps: []string{"inject", "flush"},
			Cause:       say.T("stock mixed too strong, the dial too high, too little water past the injector"),
			Consequence: say.T("roots can be burnt"),
			Do:          say.T("Open the loop valve a little or stop injecting; check stock strength and dial.")},
		{ID: "stock-empty", Priority: alarm.High, OnDelay: 15 * s, OffDelay: 10 * s, Respond: 10 * m, Steps: feed,
			Cause:       say.T("the tank is empty, or the hose has come out of the stock"),
			Consequence: say.T("the injector runs on air"),
			Do:          say.T("Shut the injector off, or fill the stock tank.")},
		{ID: "flush-incomplete", Priority: alarm.High, OnDelay: 30 * s, OffDelay: 10 * s, Respond: 60 * m, Steps: []string{"inject", "flush", "secure", "ready"},
			Cause:       say.T("the water was shut off, or the supply failed, with fertilizer in the lines"),
			Consequence: say.T("fertilizer stays in the lines and the last plants miss their share"),
			Do:          say.T("Open the shutoff valve again and flush until the box says it is done.")},
	}
}

// boxDefinitions: the box itself.
func boxDefinitions() []alarm.Definition {
	const s, m = time.Second, time.Minute
	return []alarm.Definition{
		{ID: "freeze-risk", Priority: alarm.High, OnDelay: 60 * s, OffDelay: 600 * s, Respond: 60 * m, Steps: everywhere(),
			Cause:       say.T("frost outside, and too little heat or insulation"),
			Consequence: say.T("filter bowl, injector and backflow device can burst"),
			Do:          say.T("Drain or heat the box; the backflow device and the filter bowl freeze first.")},
		{ID: "sensor-fault", Priority: alarm.High, OffDelay: 5 * s, Respond: 15 * m, Steps: everywhere(),
			Cause:       say.T("a broken wire, lost power, a worn or drifted sensor, a loose plug"),
			Consequence: say.T("the box is blind there"),
			Do:          say.T("Check the sensor, its wiring and power.")},
	}
}
