package web

import (
	"fmt"
	"net/http/httptest"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/chromedp"
)

// TestThePlanInTheBrowser opens the page as a phone, a small phone and a desk
// would: nothing breaks the policy, nothing is wider than the screen, and the
// form works without a script.
func TestThePlanInTheBrowser(t *testing.T) {
	h, planner := planHandler()
	srv := httptest.NewServer(h)
	t.Cleanup(srv.Close)
	tab, complaints := startBrowser(t, time.Minute)
	do(t, tab, "open", screen(390, 844, "light"), chromedp.Navigate(srv.URL+"/plan"), chromedp.WaitVisible(chromedp.CSS("#plan-rows .strip")))
	for _, size := range [][2]int64{{320, 640}, {390, 844}, {1280, 900}} {
		for _, scheme := range []string{"light", "dark"} {
			do(t, tab, "sizes", screen(size[0], size[1], scheme))
			if over := ask(t, tab, "sizes", chromedp.Evaluate[int](`document.documentElement.scrollWidth - innerWidth`)); over > 0 {
				t.Errorf("at %d px the page is %d px too wide", size[0], over)
			}
			shoot(t, tab, fmt.Sprintf("plan-%d-%s", size[0], scheme))
		}
	}
	do(t, tab, "narrow", screen(390, 844, "light"))
	const low = `[...document.querySelectorAll("button, select, nav a")].filter(e => e.offsetHeight && e.offsetHeight < 44).length`
	if n := ask(t, tab, "targets", chromedp.Evaluate[int](low)); n > 0 {
		t.Errorf("%d targets are lower than 44 px (WCAG 2.2, 2.5.5)", n)
	}
	const unseen = `[...document.querySelectorAll(".curves .at-box, .curves .at-end, .strip .flow, .stages .stage")].filter(e => e.getBoundingClientRect().width < 1).length`
	if n := ask(t, tab, "pictures", chromedp.Evaluate[int](unseen)); n > 0 {
		t.Errorf("%d lines of the pictures have no width", n)
	}
	do(t, tab, "choose", chromedp.Evaluate[chromedp.Void](`document.getElementById("units").value = "metric"`),
		chromedp.Click(chromedp.CSS(".choose button")), chromedp.WaitReady(chromedp.CSS(`#units option[value="metric"][selected]`)))
	if got := planner.last(); got != [3]string{"east", "weekly-n", "metric"} {
		t.Errorf("the form asked for %v", got)
	}
	if bad := complaints(); len(bad) != 0 {
		t.Errorf("the page complains of %s", strings.Join(bad, "; "))
	}
}
