// This test is a station's first day with the real binary: the code of the first
// start, an account for each role, an alarm raised by what a logger feeds, seen
// by one person and shelved by another, and its history.
package main

import (
	"fmt"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"boxd/internal/access"
	"boxd/internal/web/webtest"
)

const phrase = "wet gloves on a cold valve"

// startPiped starts the daemon on a configuration of its own and a pipe.
func startPiped(t *testing.T, dir string) (*process, io.Writer) {
	t.Helper()
	cmd := exec.Command("boxd", "run", "-config", runConfig(t, dir), "-samples", "-")
	in, err := cmd.StdinPipe()
	if err != nil {
		t.Fatal(err)
	}
	return startProcess(t, cmd), in
}

// feed sends a row every quarter of a second until the test ends.
func feed(t *testing.T, in io.Writer, row string) {
	t.Helper()
	if _, err := io.WriteString(in, "time_s,supply_kpa,header_kpa,water_c,box_air_c\n"); err != nil {
		t.Fatal(err)
	}
	stop, ended := make(chan struct{}), make(chan struct{})
	go func() {
		defer close(ended)
		beat := time.NewTicker(250 * time.Millisecond)
		defer beat.Stop()
		for i := 0; ; i++ {
			if _, err := fmt.Fprintf(in, "%d,%s\n", i, row); err != nil {
				return // the daemon has ended
			}
			select {
			case <-beat.C:
			case <-stop:
				return
			}
		}
	}()
	t.Cleanup(func() { close(stop); <-ended })
}

func TestPeopleAndAnAlarm(t *testing.T) {
	t.Parallel()
	kim := webtest.Open(t, 8*time.Minute)
	state := t.TempDir()
	p, in := startPiped(t, state)
	code := p.await(t, `with the code (\S+)`)
	page := strings.TrimSuffix(p.await(t, `^page +(http://\S+)`), "/")
	feed(t, in, "290,150,17,21") // the demo's header takes at most 83 kPa

	kim.Do("first start", webtest.Screen(1280, 900, "light"), webtest.Visit(page+"/begin"), webtest.Type("#code", "WRONG-CODE"), webtest.Type("#name", "Kim"), webtest.Type("#phrase", phrase),
		webtest.Leave("form[action='/begin'] button.main"), webtest.Has("#refused"))
	kim.Keep("begin")
	kim.Do("first account", webtest.Visit(page+"/begin"), webtest.Type("#code", code), webtest.Type("#name", "Kim"), webtest.Type("#phrase", phrase),
		webtest.Leave("form[action='/begin'] button.main"), webtest.Has(`nav a[href="/people"]`))
	for name, role := range map[string]string{"Lee": "operate", "Sol": "view"} {
		add := `form:has(button[value="add"])`
		kim.Do("add "+name, webtest.Visit(page+"/people"), webtest.Type(add+` [name="name"]`, name), webtest.Type(add+` [name="phrase"]`, phrase),
			webtest.Run(fmt.Sprintf(`document.querySelector('%s [name="role"]').value = %q`, add, role)), webtest.Leave(add+" button"),
			webtest.Has(fmt.Sprintf(`[data-person=%q]`, name)))
	}
	accounts, err := os.ReadFile(filepath.Join(state, "accounts.json"))
	if at := fmt.Sprintf("$2a$%02d$", access.Cost); err != nil || strings.Count(string(accounts), at) != 3 {
		t.Errorf("the service hashes phrases at another cost than %s, or keeps them elsewhere: %v", at, err)
	}
	lee, sol := kim.Another(), kim.Another()
	for name, tab := range map[string]*webtest.Tab{"Lee": lee, "Sol": sol} {
		tab.Do(name+" signs in", webtest.Screen(390, 844, "light"), webtest.Visit(page+"/sign-in?to=/alarms"), webtest.Type("#name", name), webtest.Type("#phrase", phrase),
			webtest.Leave("form[action='/sign-in'] button.main"), webtest.BodyIs("page", "alarms"))
	}
	raised := `[data-alarm="header-pressure-high"]`
	kim.Do("alarms", webtest.Visit(page+"/alarms"), webtest.Has(raised+`[data-state="unacknowledged"]`))
	sol.Do("raised", webtest.Has(raised))
	if n := sol.Count(`document.querySelectorAll("button[name=do]").length`); n != 0 {
		t.Errorf("who may look is offered %d deeds", n)
	}
	if n := lee.Count(`document.querySelectorAll("button[value^='shelve:']").length`); n != 0 {
		t.Error("who may operate is offered the shelf")
	}
	refused := `fetch("/act", {method: "POST", headers: {Accept: "application/json"}, body: new URLSearchParams({do: "shelve:header-pressure-high", minutes: "5", note: "no"})}).then(r => r.status)`
	if n := webtest.Ask(lee, "shelve all the same", awaited(refused)); n != 403 {
		t.Errorf("an operator's shelving is answered by %d", n)
	}
	lee.Do("see it", webtest.Press(`button[value="acknowledge:header-pressure-high"]`), webtest.Has(raised+`[data-state="acknowledged"]`))
	// Everybody sees it at once.
	kim.Do("seen", webtest.Has(raised+`[data-state="acknowledged"]`), webtest.Visit(page+"/alarms"), webtest.BodyIs("stream", "open"))
	kim.Keep("alarms")
	kim.Do("no reason", webtest.Press(`button[value="shelve:header-pressure-high"]`), webtest.Has(`#answer[data-accepted="no"]`))
	kim.Do("shelve", webtest.Type("#note", "gauge is being changed"), webtest.Press(`button[value="shelve:header-pressure-high"]`),
		webtest.Has(`[data-aside="header-pressure-high"][data-state="shelved"]`))
	sol.Do("aside", webtest.Has(`[data-aside="header-pressure-high"]`), webtest.Gone(raised))
	if s := sol.Text(`[data-aside="header-pressure-high"]`); !strings.Contains(s, "Kim") || !strings.Contains(s, "gauge is being changed") || !strings.Contains(s, "its condition stands") {
		t.Errorf("what is shelved reads %q", s)
	}
	lee.Do("the past", webtest.Visit(page+"/alarms"), webtest.Has("#past tbody tr"))
	past := lee.Text("#past tbody")
	for _, part := range []string{"header-pressure-high", "raised", "acknowledged · Lee", "shelved · Kim"} {
		if !strings.Contains(past, part) {
			t.Errorf("the past lacks %q: %q", part, past)
		}
	}
	lee.Do("sign out", webtest.Leave(`nav form button`), webtest.Has(`nav a[href="/sign-in"]`))
	p.interrupt(t)
}
