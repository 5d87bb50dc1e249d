package webtest

import (
	"fmt"
	"os"
	"strings"

	"github.com/chromedp/chromedp"
)

// Rules is the script that checks pages against WCAG 2.2 A and AA: axe-core, from
// the file that BOXD_AXE names. Without it the test is skipped, unless
// BOXD_REQUIRE_AXE=1.
func (tab *Tab) Rules() string {
	tab.T.Helper()
	path := os.Getenv("BOXD_AXE")
	b, err := os.ReadFile(path)
	switch {
	case err == nil:
		return string(b)
	case os.Getenv("BOXD_REQUIRE_AXE") == "1":
		tab.T.Fatalf("cannot check accessibility: %v; npm pack axe-core@4.14.1, unpack it and set BOXD_AXE to package/axe.min.js", err)
	case path != "":
		tab.T.Fatalf("cannot read the rules that BOXD_AXE names: %v", err)
	}
	tab.T.Skip("accessibility is not checked: BOXD_AXE does not name axe.min.js of axe-core 4.14.1")
	return ""
}

// Violations are what the rules find wrong on the page as it is now.
func (tab *Tab) Violations(rules string) []string {
	tab.T.Helper()
	if tab.Count("window.axe ? 1 : 0") == 0 {
		tab.Do("load the rules", Run(rules+"\n;0"))
	}
	const run = `axe.run(document, {resultTypes: ["violations"], preload: false, runOnly: {type: "tag", values: ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa"]}})
		.then(r => { window.axeRan = r.passes.length; return r.violations.flatMap(v => v.nodes.map(n => v.id + ": " + n.target.join(" ") + ": " + n.failureSummary)); })`
	found := Ask(tab, "axe", chromedp.Evaluate[[]string](run, chromedp.EvalAwaitPromise))
	if n := tab.Count("window.axeRan"); n < 5 {
		tab.T.Fatalf("only %d rules had anything to look at: is the page there?", n)
	}
	for i, f := range found {
		found[i] = fmt.Sprintf("%.400s", strings.Join(strings.Fields(f), " "))
	}
	return found
}
