// The manual is read whole, as a reader goes through it: every link leads somewhere,
// every picture is there and looked at, every alarm has its entry. How a heading gets
// its anchor is the renderer's to say, so anchors are looked up in what it made.
package manual

import (
	"io/fs"
	"os"
	"path"
	"path/filepath"
	"regexp"
	"strings"
	"testing"

	"boxd/docs"
)

// names are all pages of docs, and the one of hw.
func names(t *testing.T) []string {
	t.Helper()
	found, err := fs.Glob(docs.Files, "*.md")
	if err != nil || len(found) < 20 {
		t.Fatal(err, len(found))
	}
	out := []string{"hw/README"}
	for _, f := range found {
		out = append(out, strings.TrimSuffix(f, ".md"))
	}
	return out
}

func TestEveryLinkLeadsSomewhere(t *testing.T) {
	link := regexp.MustCompile(`(?:href|src)="([^"]*)"`)
	for _, name := range names(t) {
		p, ok := Read(name)
		if !ok || p.Title == "" {
			t.Errorf("%s has no title", name)
		}
		for _, m := range link.FindAllStringSubmatch(string(p.HTML), -1) {
			to, place, _ := strings.Cut(m[1], "#")
			if strings.HasPrefix(to, "https://") {
				continue
			}
			if to == "" {
				to = Root + "/" + name
			}
			if to != Root && !strings.HasPrefix(to, Root+"/") {
				t.Errorf("%s: %s leads out of the manual", name, m[1])
				continue
			}
			target := strings.TrimPrefix(strings.TrimPrefix(to, Root), "/")
			if target == "" {
				target = First
			}
			if path.Ext(target) != "" {
				if _, ok := File(target); !ok {
					t.Errorf("%s: there is no %s", name, m[1])
				}
				continue
			}
			other, ok := Read(target)
			if !ok || place != "" && !strings.Contains(string(other.HTML), `id="`+place+`"`) {
				t.Errorf("%s: there is no %s", name, m[1])
			}
		}
	}
}

// The README and DEVELOPERS.md lead to files, as whoever reads the sources follows them.
func TestReadmesLinks(t *testing.T) {
	link := regexp.MustCompile(`\]\(([^)#\s]+)(#[^)]*)?\)`)
	for _, f := range []string{"README.md", "DEVELOPERS.md"} {
		b, err := os.ReadFile(filepath.Join("../..", f))
		if err != nil {
			t.Fatal(err)
		}
		for _, m := range link.FindAllStringSubmatch(string(b), -1) {
			if strings.Contains(m[1], ":") {
				continue
			}
			if _, err := os.Stat(filepath.Join("../..", m[1])); err != nil {
				t.Errorf("%s: there is no %s", f, m[1])
			}
			if page, ok := strings.CutPrefix(m[1], "docs/"); ok && m[2] != "" {
				p, _ := Read(strings.TrimSuffix(page, ".md"))
				if !strings.Contains(string(p.HTML), `id="`+m[2][1:]+`"`) {
					t.Errorf("%s: %s has no %s", f, m[1], m[2])
				}
			}
		}
	}
}

// Every page is listed on the first, every picture stands on a page.
func TestNothingIsLeftOver(t *testing.T) {
	first, _ := Read(First)
	all := string(first.HTML)
	for _, name := range names(t) {
		if name != First && name != "hw/README" && !strings.Contains(all, `href="`+Root+"/"+name+`"`) {
			t.Errorf("the first page does not list %s", name)
		}
	}
	for _, name := range names(t) {
		p, _ := Read(name)
		all += string(p.HTML)
	}
	files, err := fs.Glob(docs.Files, "*.[pj]*")
	if err != nil || len(files) < 4 {
		t.Fatal(err, files)
	}
	for _, f := range files {
		if !strings.Contains(all, Root+"/"+f) {
			t.Errorf("no page shows or hands out %s", f)
		}
	}
}

// The program goes onto a small card and through weak links: 600 kB of pictures,
// 1 MB in all.
func TestItStaysSmall(t *testing.T) {
	var all, pictures int64
	err := fs.WalkDir(docs.Files, ".", func(p string, d fs.DirEntry, err error) error {
		if err != nil || d.IsDir() {
			return err
		}
		i, err := d.Info()
		if err != nil {
			return err
		}
		all += i.Size()
		if path.Ext(p) == ".png" {
			pictures += i.Size()
		}
		return nil
	})
	if err != nil || all > 1<<20 || pictures > 600_000 {
		t.Errorf("the manual has %d bytes, %d of them pictures (%v)", all, pictures, err)
	}
}

// What the pages' policy forbids is not written: scripts, styles, HTML of the text's own.
func TestNothingRuns(t *testing.T) {
	for _, name := range names(t) {
		p, _ := Read(name)
		for _, bad := range []string{"<script", "style=", "javascript:", " on"} {
			if bad == " on" {
				if regexp.MustCompile(`<[^>]* on\w+=`).MatchString(string(p.HTML)) {
					t.Errorf("%s has a script in a tag", name)
				}
				continue
			}
			if strings.Contains(string(p.HTML), bad) {
				t.Errorf("%s has %s", name, bad)
			}
		}
	}
}

func TestWhatIsNotThere(t *testing.T) {
	for _, name := range []string{"", "nothing", "../README", "docs/run", "hw/../docs/run", "run.md"} {
		if p, ok := Read(name); ok {
			t.Errorf("%q is a page: %s", name, p.Title)
		}
	}
	if at, ok := Address("README.md"); ok {
		t.Errorf("the project's README is served at %s", at)
	}
	if at, ok := Address("hw/README.md"); !ok || at != "/help/hw/README" {
		t.Errorf("the hardware's page is served at %q", at)
	}
}
