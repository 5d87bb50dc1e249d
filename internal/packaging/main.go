// Command packaging makes boxd's Debian packages for arm64, armhf and amd64.
// The same source and time give the same bytes.
//
//	go run -C internal/packaging . -version 1.2.3 -out ../../dist
package main

import (
	"bytes"
	"compress/gzip"
	"embed"
	"errors"
	"flag"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"runtime"
	"strconv"
	"strings"
	"text/template"
	"time"

	"github.com/goreleaser/nfpm/v2"
	"github.com/goreleaser/nfpm/v2/deb"
	"github.com/goreleaser/nfpm/v2/files"
)

//go:embed files
var kept embed.FS

// target is a kind of board.
type target struct{ deb, goarch, nfpm string }

// targets: armhf is built for ARMv6, the least of the small boards.
func targets() []target {
	return []target{{"arm64", "arm64", "arm64"}, {"armhf", "arm", "arm6"}, {"amd64", "amd64", "amd64"}}
}

type job struct {
	root, out, work, version string
	at                       time.Time
}

func main() {
	root := flag.String("root", "../..", "`DIR` of the source")
	out := flag.String("out", "../../dist", "`DIR` for the packages")
	version := flag.String("version", "", "`VERSION` of the packages, such as 1.2.3")
	only := flag.String("arch", "", "one of arm64, armhf, amd64; default: all")
	flag.Parse()
	if err := run(*root, *out, *version, *only); err != nil {
		fmt.Fprintln(os.Stderr, err)
		os.Exit(1)
	}
}

func run(root, out, version, only string) error {
	if !regexp.MustCompile(`^[0-9][0-9A-Za-z.+~]*$`).MatchString(version) {
		return fmt.Errorf("cannot make packages: -version %q is no version of a Debian package: give one such as 1.2.3", version)
	}
	work, err := os.MkdirTemp("", "boxd-packaging-")
	if err != nil {
		return err
	}
	defer os.RemoveAll(work)
	at, err := sourceTime(root)
	if err != nil {
		return err
	}
	if err := os.MkdirAll(out, 0o755); err != nil {
		return err
	}
	j := job{root, out, work, version, at}
	made := 0
	for _, t := range targets() {
		if only != "" && only != t.deb {
			continue
		}
		if err := j.make(t); err != nil {
			return fmt.Errorf("cannot make the package for %s: %w", t.deb, err)
		}
		made++
	}
	if made == 0 {
		return fmt.Errorf("cannot make packages: there is no architecture %q: use arm64, armhf or amd64", only)
	}
	return nil
}

// sourceTime is SOURCE_DATE_EPOCH, or when the last commit was made.
func sourceTime(root string) (time.Time, error) {
	text := os.Getenv("SOURCE_DATE_EPOCH")
	if text == "" {
		b, err := exec.Command("git", "-C", root, "log", "-1", "--format=%ct").Output()
		if err != nil {
			return time.Time{}, errors.New("cannot tell the time of the source: set SOURCE_DATE_EPOCH, or build from a git checkout")
		}
		text = strings.TrimSpace(string(b))
	}
	s, err := strconv.ParseInt(text, 10, 64)
	if err != nil {
		return time.Time{}, fmt.Errorf("cannot read SOURCE_DATE_EPOCH %q: seconds since 1970 are wanted", text)
	}
	return time.Unix(s, 0).UTC(), nil
}

// build compiles boxd and gives where it lies.
func (j job) build(goarch, name string) (string, error) {
	path := filepath.Join(j.work, name)
	c := exec.Command("go", "build", "-trimpath", "-buildvcs=false", "-ldflags", "-s -w -buildid= -X main.release="+j.version, "-o", path, "./cmd/boxd")
	c.Dir, c.Stderr = j.root, os.Stderr
	c.Env = append(os.Environ(), "CGO_ENABLED=0", "GOOS=linux", "GOARCH="+goarch, "GOARM=6", "GOFLAGS=")
	return path, c.Run()
}

func (j job) make(t target) error {
	bin, err := j.build(t.goarch, "boxd-"+t.deb)
	if err != nil {
		return err
	}
	list, err := j.contents(bin, t)
	if err != nil {
		return err
	}
	scripts, err := j.scripts()
	if err != nil {
		return err
	}
	info := nfpm.WithDefaults(&nfpm.Info{
		Name: "boxd", Arch: t.nfpm, Platform: "linux", Version: j.version, VersionSchema: "none", Section: "science", Priority: "optional",
		Maintainer: "boxd maintainers <maintainers@boxd.invalid>", License: "see /usr/share/doc/boxd/copyright", MTime: j.at,
		Description: "advisory daemon of a fertilizer-injection box\n" +
			"Reads the sensors of a fertilizer-injection box on drip irrigation, walks a person\nthrough a run, warns, publishes and keeps every run. A person moves every valve.",
		Overridables: nfpm.Overridables{Contents: list, Scripts: scripts, Depends: []string{"passwd"}, Recommends: []string{"systemd", "udev"}},
	})
	path := filepath.Join(j.out, fmt.Sprintf("boxd_%s_%s.deb", j.version, t.deb))
	var b bytes.Buffer
	if err := deb.Default.Package(info, &b); err != nil {
		return err
	}
	if err := os.WriteFile(path, b.Bytes(), 0o644); err != nil {
		return err
	}
	fmt.Printf("%s  %.1f MB\n", path, float64(b.Len())/1e6)
	return nil
}

// contents are the package's files; what is made lies in the work folder first.
func (j job) contents(bin string, t target) (files.Contents, error) {
	doc := "/usr/share/doc/boxd/"
	list := files.Contents{j.file(bin, "/usr/bin/boxd", 0o755),
		j.file(filepath.Join(j.root, "config/default.yaml"), doc+"examples/box.yaml", 0o644),
		j.file(filepath.Join(j.root, "LICENSE"), doc+"copyright", 0o644)}
	for name, to := range map[string]string{"boxd.service": "/usr/lib/systemd/system/boxd.service", "60-boxd.rules": "/usr/lib/udev/rules.d/60-boxd.rules"} {
		text, err := kept.ReadFile("files/" + name)
		if err != nil {
			return nil, err
		}
		if list, err = j.add(list, name, to, text); err != nil {
			return nil, err
		}
	}
	page, completion, err := j.manual(bin, t)
	if err != nil {
		return nil, err
	}
	// The manual without its pictures, as the README links to it; whole it is in the program.
	pages, err := filepath.Glob(filepath.Join(j.root, "docs", "*.md"))
	if err != nil {
		return nil, err
	}
	for _, p := range append(pages, filepath.Join(j.root, "hw", "README.md")) {
		rel, err := filepath.Rel(j.root, p)
		if err != nil {
			return nil, err
		}
		list = append(list, j.file(p, doc+rel, 0o644))
	}
	readme, err := os.ReadFile(filepath.Join(j.root, "README.md"))
	if err != nil {
		return nil, err
	}
	for _, x := range []struct {
		name, to string
		text     []byte
		zip      bool
	}{
		{"boxd.1.gz", "/usr/share/man/man1/boxd.1.gz", page, true},
		{"completion", "/usr/share/bash-completion/completions/boxd", completion, false},
		{"README.md.gz", doc + "README.md.gz", readme, true},
	} {
		if x.zip {
			x.text = zipped(x.text)
		}
		if list, err = j.add(list, x.name, x.to, x.text); err != nil {
			return nil, err
		}
	}
	return list, nil
}

func (j job) add(list files.Contents, name, to string, text []byte) (files.Contents, error) {
	from := filepath.Join(j.work, name)
	if err := os.WriteFile(from, text, 0o644); err != nil {
		return nil, err
	}
	return append(list, j.file(from, to, 0o644)), nil
}

func (j job) file(from, to string, mode os.FileMode) *files.Content {
	return &files.Content{Source: from, Destination: to, FileInfo: &files.ContentFileInfo{Owner: "root", Group: "root", Mode: mode, MTime: j.at}}
}

// zipped has no name and no time in its head, so that it is always the same.
func zipped(text []byte) []byte {
	var b bytes.Buffer
	w, _ := gzip.NewWriterLevel(&b, gzip.BestCompression) // the level is a good one
	_, _ = w.Write(text)
	_ = w.Close() // a buffer takes all
	return b.Bytes()
}

func (j job) scripts() (s nfpm.Scripts, err error) {
	for name, to := range map[string]*string{"postinst": &s.PostInstall, "prerm": &s.PreRemove, "postrm": &s.PostRemove} {
		text, err := kept.ReadFile("files/" + name)
		if err != nil {
			return s, err
		}
		*to = filepath.Join(j.work, name)
		if err := os.WriteFile(*to, text, 0o755); err != nil {
			return s, err
		}
	}
	return s, nil
}

// page is what the manual page and the completion are made of.
type page struct {
	Version, Date string
	Commands      []command
}

type command struct {
	Name, Args, About string
	Flags             []string
}

// manual asks boxd itself for its commands, so that neither can fall behind.
func (j job) manual(bin string, t target) (man, completion []byte, err error) {
	if t.goarch != runtime.GOARCH { // this machine can't run it
		if bin, err = j.build(runtime.GOARCH, "boxd-here"); err != nil {
			return nil, nil, err
		}
	}
	text, err := exec.Command(bin, "help").Output()
	if err != nil {
		return nil, nil, err
	}
	p := page{Version: j.version, Date: j.at.Format("2006-01-02"), Commands: commands(string(text))}
	if len(p.Commands) == 0 {
		return nil, nil, errors.New("boxd's help lists no commands any more: has its form changed?")
	}
	for i := range p.Commands {
		said, _ := exec.Command(bin, p.Commands[i].Name, "-help").CombinedOutput() // some end with 2 here: the text counts
		p.Commands[i].Flags = flags(string(said))
	}
	if man, err = fill("files/boxd.1.tmpl", p); err != nil {
		return nil, nil, err
	}
	completion, err = fill("files/completion.bash.tmpl", p)
	return man, completion, err
}

// commands reads boxd's help: a line with the command, one with what it is for.
func commands(help string) (out []command) {
	for _, m := range regexp.MustCompile(`(?m)^  boxd (\S+) +(.*)\n +(\S.*)$`).FindAllStringSubmatch(help, -1) {
		out = append(out, command{Name: m[1], Args: strings.TrimSpace(m[2]), About: m[3]})
	}
	return out
}

func flags(help string) (out []string) {
	for _, m := range regexp.MustCompile(`(?m)^  (-[a-z][a-z-]*)`).FindAllStringSubmatch(help, -1) {
		out = append(out, m[1])
	}
	return out
}

func fill(name string, p page) ([]byte, error) {
	text, err := kept.ReadFile(name)
	if err != nil {
		return nil, err
	}
	t, err := template.New(name).Funcs(template.FuncMap{"roff": roff}).Parse(string(text))
	if err != nil {
		return nil, err
	}
	var b bytes.Buffer
	err = t.Execute(&b, p)
	return b.Bytes(), err
}

// roff keeps a text from being read as escapes or, at its start, as a request.
func roff(s string) string {
	return `\&` + strings.NewReplacer(`\`, `\e`, "-", `\-`).Replace(s)
}
