package dosing

import (
	"time"

	"boxd/internal/say"
	"boxd/internal/units"
)

// meqSuspicious: water with more than 2.5 meq/L of Ca, Mg, HCO3 or SO4 may
// precipitate (University of California, microirrigation maintenance).
const meqSuspicious MeqPerL = 2.5

// warnings judges a finished plan.
func (r Request) warnings(p Plan, want due) []Warning {
	ws := []Warning{}
	ws = append(ws, r.flowWarnings(p.Injector.Split)...)
	ws = append(ws, r.meetingWarnings()...)
	for _, t := range p.Tanks {
		first := len(ws)
		ws = append(ws, r.stockWarnings(t)...)
		ws = append(ws, r.timeWarnings(t, p.Injector)...)
		ws = append(ws, r.ecWarnings(t, p.Injector.Split)...)
		if len(p.Tanks) > 1 {
			for i := range ws[first:] {
				ws[first+i].Text = say.T("Tank %s: %v", t.Name, ws[first+i].Text)
			}
		}
	}
	if most := r.Feed.Limits.LongestRun; most > 0 && p.Total.Duration() > most {
		ws = append(ws, Warning{CodeRunLong, Caution,
			say.T("All stages take %.0f min, more than the %.0f min allowed: make stronger stock or a higher ratio, or two events.", p.Total.Minutes(), most.Minutes()),
			[]Number{minutes("takes", p.Total.Duration()), minutes("allowed", most)}})
	}
	if want.own {
		ws = append(ws, Warning{CodeOwnSpacing, Note,
			say.T("The guide's bed spacing is not said: the zone's own %v is taken. A guide written for another spacing means another dose.", r.Zone.BedSpacing),
			[]Number{{"spacing", float64(r.Zone.BedSpacing), "m"}}})
	}
	return ws
}

func minutes(name string, d time.Duration) Number { return Number{name, d.Minutes(), "min"} }

func perHour(name string, q units.LPerH) Number { return Number{name, float64(q), "L/h"} }

func (r Request) flowWarnings(s Split) []Warning {
	var ws []Warning
	if q := r.Supply.Flow; q > 0 && q < s.Water {
		ws = append(ws, Warning{CodeSupplySmall, Stop,
			say.T("The block takes %v of water and the supply gives %v: pressure will sag. Water fewer rows at a time.", hourly(s.Water), hourly(q).number()),
			[]Number{perHour("takes", s.Water), perHour("supply", q)}})
	}
	if s.Branch > r.Injector.RatedFlow {
		ws = append(ws, Warning{CodeBranchHigh, Stop,
			say.T("The branch would carry %v, above the injector's rated %v: open the loop valve further.", hourly(s.Branch), hourly(r.Injector.RatedFlow).number()),
			[]Number{perHour("branch", s.Branch), perHour("rated", r.Injector.RatedFlow)}})
	}
	if low := r.Injector.LowestFlow; s.Branch < low {
		ws = append(ws, Warning{CodeBranchLow, Caution,
			say.T("The branch carries %v, less than the %v that drives the injector: it may stop drawing.", hourly(s.Branch), hourly(low).number()),
			[]Number{perHour("branch", s.Branch), perHour("lowest", low)}})
	}
	if float64(s.Bypass) > 1e-6*float64(s.Total) {
		ws = append(ws, Warning{CodeBypass, Note,
			say.T("%v of %v go round the injector: %.3g %% on the dial is %.3g %% in the block.", hourly(s.Bypass).number(), hourly(s.Total), r.Injector.Ratio.Percent(), s.Field.Percent()),
			[]Number{perHour("bypass", s.Bypass), {"dial", r.Injector.Ratio.Percent(), "%"}, {"field", s.Field.Percent(), "%"}}})
	}
	return ws
}

// meetingWarnings: products with each other and with the water.
func (r Request) meetingWarnings() []Warning {
	var ws []Warning
	var tanks [][]Product
	for _, b := range r.batches(1) {
		var ps []Product
		for _, p := range b.mix {
			ps = append(ps, p.Product)
		}
		tanks = append(tanks, ps)
		for _, c := range Clashes(ps) {
			ws = append(ws, c.warning(oneTank))
		}
	}
	for i := range tanks {
		for j := range i {
			cs := append(clashes(tanks[i], tanks[j], true), clashes(tanks[j], tanks[i], true)...)
			for _, c := range cs {
				ws = append(ws, c.warning(oneRun))
			}
		}
	}
	return append(ws, r.waterWarnings()...)
}

// meeting is where two products meet.
type meeting bool

const (
	oneTank meeting = false
	oneRun  meeting = true
)

func (c Clash) warning(where meeting) Warning {
	w := Warning{Code: c.Code, Severity: c.Severity}
	switch {
	case c.Severity == Stop && where == oneTank:
		w.Text = say.T("%s and %s do not belong in one tank: %v.", c.A, c.B, c.Why)
	case c.Severity == Stop:
		w.Text = say.T("%s and %s do not belong in one run: %v.", c.A, c.B, c.Why)
	case where == oneTank:
		w.Text = say.T("%s and %s are doubtful in one tank: %v.", c.A, c.B, c.Why)
	default:
		w.Text = say.T("%s and %s are doubtful in one run: %v.", c.A, c.B, c.Why)
	}
	return w
}

func (r Request) waterWarnings() []Warning {
	var ws []Warning
	w := r.Supply
	pairs := []struct {
		meq  MeqPerL
		what say.Text
		with group
	}{
		{w.Calcium, say.T("calcium"), hasPhosphate | hasSulfate}, {w.Magnesium, say.T("magnesium"), hasPhosphate},
		{w.Bicarbonate, say.T("bicarbonate"), hasCalcium}, {w.Bicarbonate, say.T("bicarbonate"), hasPhosphate},
		{w.Sulfate, say.T("sulfate"), hasCalcium},
	}
	for _, p := range r.products() {
		for _, c := range pairs {
			if c.meq > meqSuspicious && p.groups()&c.with != 0 {
				ws = append(ws, Warning{CodeHardWater, Caution,
					say.T("The water's %v (%.1f meq/L, above %.1f) may settle with %s: make a jar test at line strength, covered, overnight.", c.what, float64(c.meq), float64(meqSuspicious), p.Name),
					[]Number{{c.what.Format, float64(c.meq), "meq/L"}}})
			}
		}
		if w.Chlorinated && p.Hazards.StrongAcid {
			ws = append(ws, Warning{Code: CodeAcidChlorine, Severity: Stop,
				Text: say.T("Chlorine is dosed into this water: %s must not be injected at the same time. Flush between; poisonous gas.", p.Name)})
		}
	}
	return ws
}

func (r Request) stockWarnings(t TankPlan) []Warning {
	var ws []Warning
	l := r.Feed.Limits
	most, name, ok := t.mix.Strongest(l.ColdestStock, l.SolubilityShare)
	switch {
	case !ok:
		ws = append(ws, Warning{Code: CodeSolubilityUnknown, Severity: Caution,
			Text: say.T("The solubility of %s is not on record: try the strength in a jar at %v first.", name, degrees(l.ColdestStock))})
	case float64(t.Strength) > float64(most)*(1+1e-9):
		sure, _, _ := t.mix.Strongest(l.ColdestStock, 1)
		ws = append(ws, Warning{CodeBeyondSolubility, beyond(t.Strength, sure),
			say.T("%v of stock is above %v, %.0f %% of what stays dissolved at %v: make it weaker.", strong(t.Strength, 0), strong(most, 0), l.SolubilityShare.Percent(), degrees(l.ColdestStock)),
			[]Number{{"strength", float64(t.Strength), "g/L"}, {"most", float64(most), "g/L"}, {"coldest", float64(l.ColdestStock), "°C"}}})
	}
	if v := r.tankVolume(t.Name); t.Fillings > 1 {
		ws = append(ws, Warning{CodeTankSmall, Caution,
			say.T("%v of stock does not fit the tank's %v: %d fillings, or stronger stock.", t.Stock, v, t.Fillings),
			[]Number{{"stock", float64(t.Stock), "L"}, {"tank", float64(v), "L"}, {"fillings", float64(t.Fillings), ""}}})
	}
	for _, p := range t.mix {
		if p.Product.cools() {
			ws = append(ws, Warning{Code: CodeCools, Severity: Note,
				Text: say.T("Dissolving %s chills the water: let it warm up before judging whether all is dissolved.", p.Product.Name)})
		}
	}
	return ws
}

// beyond is Stop where the stock can't dissolve at all, Caution where it only
// eats into the reserve.
func beyond(strength, saturated units.GPerL) Severity {
	if strength > saturated {
		return Stop
	}
	return Caution
}

func (p Product) cools() bool {
	for _, s := range p.Salts {
		if s.Share > 0.1 && s.Salt.fact().cools {
			return true
		}
	}
	return p.invisible()
}

func (r Request) tankVolume(name string) units.Litre {
	for _, t := range r.Feed.Tanks {
		if t.Name == name {
			return t.Volume
		}
	}
	return 0
}

// timeWarnings: an injection shorter than twice the advance time leaves the
// far rows short; say what would make it long enough.
func (r Request) timeWarnings(t TankPlan, i InjectorPlan) []Warning {
	need, _ := r.shortest()
	have := t.Inject.Duration()
	if have+time.Second >= need {
		return nil
	}
	k := float64(have) / float64(need)
	weaker := units.GPerL(float64(t.Strength) * k)
	nums := []Number{minutes("takes", have), minutes("needs", need), {"weaker_stock", float64(weaker), "g/L"}}
	text := say.T("Injection takes %.1f min, less than the %.1f min even watering of the far rows needs: make the stock %v.", have.Minutes(), need.Minutes(), strong(weaker, 1))
	if dial := units.Ratio(float64(i.Dial) * k); r.Injector.DialLow > 0 && dial >= r.Injector.DialLow {
		text = say.T("Injection takes %.1f min, less than the %.1f min even watering of the far rows needs: make the stock %v, or dial %.2f %%.", have.Minutes(), need.Minutes(), strong(weaker, 1), dial.Percent())
		nums = append(nums, Number{"lower_dial", dial.Percent(), "%"})
	}
	return []Warning{{CodeInjectionShort, Caution, text, nums}}
}

func (r Request) ecWarnings(t TankPlan, s Split) []Warning {
	var ws []Warning
	limit := r.Feed.Limits.LineEC
	rise := t.mix.ECRise(t.Line)
	if rise.UreaN > 0 {
		ws = append(ws, Warning{CodeUreaInvisible, Note,
			say.T("%.0f %% of this feed's nitrogen is urea, which EC can't see: only stock drawn and ratio can tell what went out.", rise.UreaN.Percent()),
			[]Number{{"urea_n", rise.UreaN.Percent(), "%"}}})
	}
	if !t.ECKnown {
		return append(ws, Warning{Code: CodeECUnknown, Severity: Note, Text: say.T("The EC to expect in the line is not known: %v.", t.ECWhy)})
	}
	if limit > 0 && r.Supply.EC == 0 {
		ws = append(ws, Warning{Code: CodeSupplyEC, Severity: Note, Text: say.T("The supply water's EC is not said: the line EC shown is the fertilizer's alone.")})
	}
	if limit > 0 && float64(t.LineEC) > float64(limit)*(1+1e-6) {
		text := say.T("The line would carry %v, above the limit of %.0f.", micro(t.LineEC), float64(limit))
		nums := []Number{{"line_ec", float64(t.LineEC), "µS/cm"}, {"limit", float64(limit), "µS/cm"}}
		if c, ok := r.strengthByEC(t.mix, s); ok {
			text = say.T("The line would carry %v, above the limit of %.0f: make the stock %v at most.", micro(t.LineEC), float64(limit), strong(c, 1))
			nums = append(nums, Number{"weaker_stock", float64(c), "g/L"})
		}
		ws = append(ws, Warning{CodeLineEC, Stop, text, nums})
	}
	return ws
}
