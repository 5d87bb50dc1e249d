package alert

import (
	"strings"

	"boxd/internal/say"
)

// called is what an alarm is called in a title. One that isn't known here is called by
// its id.
func called(id string) say.Text {
	switch id {
	case "backflow-protection-missing":
		return say.T("backflow protection missing")
	case "backflow-sign":
		return say.T("backflow sign")
	case "supply-pressure-low":
		return say.T("supply pressure low")
	case "header-pressure-low":
		return say.T("header pressure low")
	case "header-pressure-high":
		return say.T("header pressure high")
	case "filter-clogging":
		return say.T("filter clogging")
	case "filter-torn":
		return say.T("filter torn")
	case "injector-not-cycling":
		return say.T("injector not cycling")
	case "ratio-off":
		return say.T("ratio off")
	case "flow-above-expected":
		return say.T("flow above expected")
	case "flow-below-expected":
		return say.T("flow below expected")
	case "ec-above-limit":
		return say.T("ec above limit")
	case "stock-empty":
		return say.T("stock empty")
	case "flush-incomplete":
		return say.T("flush incomplete")
	case "freeze-risk":
		return say.T("freeze risk")
	case "sensor-fault":
		return say.T("sensor fault")
	case "clock-jump":
		return say.T("clock jump")
	case "archive-failing":
		return say.T("archive failing")
	case "link-down":
		return say.T("link down")
	}
	return say.Verbatim(strings.ReplaceAll(id, "-", " "))
}
