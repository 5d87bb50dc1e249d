package season

import "boxd/internal/say"

// What the readings allow to be said of a change, and what to look at. A cause is
// never named alone where another looks the same from the box.

func lookFlow(more, sudden bool) say.Text {
	switch {
	case more && sudden:
		return say.T("A leak or an open row end looks like this, and so does a row opened or cleaned, or a changed meter: walk the rows.")
	case more:
		return say.T("Emitters that wear, a growing leak, or a meter or gauge that drifts look like this: walk the rows, and check the meter.")
	case sudden:
		return say.T("A row that is shut, kinked or blocked looks like this, and so does a mended leak or a changed meter: look at each row's end.")
	}
	return say.T("Emitters that clog, or a meter or gauge that drifts, look like this: catch the flow of a few emitters along the rows, and check the meter.")
}

func lookFilter(more, sudden bool) say.Text {
	if more {
		return say.T("A screen that no longer comes clean, or a gauge that drifts, looks like this: take the screen out and look through it.")
	}
	if sudden {
		return say.T("A new or better cleaned screen looks like this, and so does a torn one: take it out and look.")
	}
	return say.T("A screen that wears, or a gauge that drifts, looks like this: take the screen out and look.")
}

func lookRatio(more, _ bool) say.Text {
	if more {
		return say.T("A dial set higher, stronger stock or a drifted meter looks like this: check the dial, the stock and the meters.")
	}
	return say.T("A dial set lower, worn seals, a clogged suction screen, weaker stock or a drifted meter looks like this: check them in that order.")
}

func lookFlush(_, _ bool) say.Text {
	return say.T("Rows added or shut, a leak, or a meter or probe that drifts look like this: walk the rows, and check meter and probe.")
}
