package web

import (
	"fmt"
	"net/http/httptest"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/chromedp"

	"boxd/internal/web/webtest"
)

// TestThePlanInTheBrowser opens the page as a phone, a small phone and a desk
// would: nothing breaks the policy, nothing is wider than the screen, and the
// form works without a script.
func TestThePlanInTheBrowser(t *testing.T) {
	h, planner := planHandler()
	srv := httptest.NewServer(h)
	t.Cleanup(srv.Close)
	tab := webtest.Open(t, time.Minute)
	tab.Do("open", webtest.Screen(390, 844, "light"), webtest.Visit(srv.URL+"/plan"), webtest.Has("#plan-rows .strip"))
	for _, size := range [][2]int64{{320, 640}, {390, 844}, {1280, 900}} {
		for _, scheme := range []string{"light", "dark"} {
			tab.Do("sizes", webtest.Screen(size[0], size[1], scheme))
			if over := tab.TooWide(); over > 0 {
				t.Errorf("at %d px the page is %d px too wide", size[0], over)
			}
			tab.Keep(fmt.Sprintf("plan-%d-%s", size[0], scheme))
		}
	}
	tab.Do("narrow", webtest.Screen(390, 844, "light"))
	const low = `[...document.querySelectorAll("button, select, nav a")].filter(e => e.offsetHeight && e.offsetHeight < 44).length`
	if n := tab.Count(low); n > 0 {
		t.Errorf("%d targets are lower than 44 px (WCAG 2.2, 2.5.5)", n)
	}
	const unseen = `[...document.querySelectorAll(".curves .at-box, .curves .at-end, .strip .flow, .stages .stage")].filter(e => e.getBoundingClientRect().width < 1).length`
	if n := tab.Count(unseen); n > 0 {
		t.Errorf("%d lines of the pictures have no width", n)
	}
	tab.Do("choose", webtest.Run(`document.getElementById("units").value = "metric"`),
		chromedp.Click(chromedp.CSS(".choose button")), webtest.There(`#units option[value="metric"][selected]`))
	if got := planner.last(); got != [3]string{"east", "weekly-n", "metric"} {
		t.Errorf("the form asked for %v", got)
	}
	if bad := tab.Complaints(); len(bad) != 0 {
		t.Errorf("the page complains of %s", strings.Join(bad, "; "))
	}
}
