package web

import (
	"net/http/httptest"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/chromedp"

	"boxd/internal/web/webtest"
)

// TestThePlanInTheBrowser: nothing breaks the policy, the pictures are there, and
// the form works without a script.
func TestThePlanInTheBrowser(t *testing.T) {
	t.Parallel()
	h, planner := planHandler()
	srv := httptest.NewServer(h)
	t.Cleanup(srv.Close)
	tab := webtest.Open(t, 8*time.Minute)
	tab.Do("open", webtest.Screen(390, 844, "light"), webtest.Visit(srv.URL+"/plan"), webtest.Has("#plan-rows .strip"))
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
