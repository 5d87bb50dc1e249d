// The packages are tried as an administrator meets them: unpacked by dpkg into a
// Debian tree, upgraded, removed and purged. BOXD_DEBIAN_TREE names a tree made by
// debootstrap, to be used and left as it was; it needs root.
package main

import (
	"bufio"
	"crypto/sha256"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"
)

// first is version 1.0.0, made once.
var first = sync.OnceValues(func() ([]byte, error) {
	out, err := os.MkdirTemp("", "boxd-packaging-test-")
	if err != nil {
		return nil, err
	}
	defer os.RemoveAll(out)
	if err := run("../..", out, "1.0.0", "amd64"); err != nil {
		return nil, err
	}
	return os.ReadFile(filepath.Join(out, "boxd_1.0.0_amd64.deb"))
})

func one(t *testing.T) string {
	t.Helper()
	b, err := first()
	if err != nil {
		t.Fatal(err)
	}
	path := filepath.Join(t.TempDir(), "boxd.deb")
	if err := os.WriteFile(path, b, 0o644); err != nil {
		t.Fatal(err)
	}
	return path
}

func packaged(t *testing.T, version string) string {
	t.Helper()
	out := t.TempDir()
	if err := run("../..", out, version, "amd64"); err != nil {
		t.Fatal(err)
	}
	return filepath.Join(out, "boxd_"+version+"_amd64.deb")
}

func TestTheSameSourceGivesTheSameBytes(t *testing.T) {
	var sums [2][32]byte
	for i, path := range []string{one(t), packaged(t, "1.0.0")} {
		b, err := os.ReadFile(path)
		if err != nil {
			t.Fatal(err)
		}
		sums[i] = sha256.Sum256(b)
	}
	if sums[0] != sums[1] {
		t.Errorf("%x, then %x", sums[0], sums[1])
	}
}

func TestVersionsAndArchitecturesAreChecked(t *testing.T) {
	for _, x := range []struct{ version, arch, want string }{
		{"", "", "give one such as 1.2.3"}, {"v1", "", "give one such as 1.2.3"}, {"1.0", "sparc", `no architecture "sparc"`},
	} {
		if err := run("../..", t.TempDir(), x.version, x.arch); err == nil || !strings.Contains(err.Error(), x.want) {
			t.Errorf("%q %q: %v", x.version, x.arch, err)
		}
	}
}

// systemd's own figure: 0 is shut, 10 open. What is left is the network, devices
// and the host's files, which a daemon at a bus needs.
func TestTheServiceIsShutIn(t *testing.T) {
	if _, err := exec.LookPath("systemd-analyze"); err != nil {
		missing(t, "systemd-analyze")
	}
	out, err := exec.Command("systemd-analyze", "security", "--offline=true", "--no-pager", "files/boxd.service").CombinedOutput()
	m := regexp.MustCompile(`Overall exposure level for \S+: ([0-9.]+)`).FindSubmatch(out)
	if m == nil {
		t.Fatalf("%v\n%s", err, out)
	}
	if level, _ := strconv.ParseFloat(string(m[1]), 64); level > 1.6 {
		t.Errorf("exposure %s:\n%s", m[1], out)
	}
}

// It is a user of its own that writes to its own folder alone, and a core that is
// stuck is started anew: within the ten seconds that the product promises.
func TestTheServiceWritesItsOwnFolderAlone(t *testing.T) {
	b, err := kept.ReadFile("files/boxd.service")
	if err != nil {
		t.Fatal(err)
	}
	unit := string(b)
	for _, line := range []string{"User=boxd", "StateDirectory=boxd", "ProtectSystem=strict", "ProtectHome=yes", "PrivateTmp=yes", "NoNewPrivileges=yes", "CapabilityBoundingSet=", "Restart=always", "Type=notify"} {
		if !strings.Contains(unit, "\n"+line+"\n") {
			t.Errorf("the unit lacks %s", line)
		}
	}
	if m := regexp.MustCompile(`(?m)^(ReadWritePaths|BindPaths|CacheDirectory|LogsDirectory|RuntimeDirectory|ConfigurationDirectory)=.*`).FindString(unit); m != "" {
		t.Errorf("more than its folder: %s", m)
	}
	m := regexp.MustCompile(`(?m)^WatchdogSec=(\d+)$`).FindStringSubmatch(unit)
	if m == nil {
		t.Fatal("no watchdog")
	}
	if within, _ := strconv.Atoi(m[1]); within < 1 || within > 9 {
		t.Errorf("a stuck core is found after %d s", within)
	}
}

// After installing, the service starts with the guide: nothing waits for a file, and
// the guide finds its folder where the service may write.
func TestTheServiceStartsWithTheGuide(t *testing.T) {
	unit, err := kept.ReadFile("files/boxd.service")
	if err != nil {
		t.Fatal(err)
	}
	if strings.Contains(string(unit), "Condition") || !strings.Contains(string(unit), "\nStateDirectory=boxd\n") {
		t.Errorf("the unit waits, or has no folder:\n%s", unit)
	}
	bin := filepath.Join(t.TempDir(), "boxd")
	deb := one(t)
	dir := t.TempDir()
	if out, err := exec.Command("dpkg-deb", "-x", deb, dir).CombinedOutput(); err != nil {
		missing(t, "dpkg-deb: "+string(out))
	}
	if err := os.Rename(filepath.Join(dir, "usr/bin/boxd"), bin); err != nil {
		t.Fatal(err)
	}
	args := strings.Fields(regexp.MustCompile(`(?m)^ExecStart=/usr/bin/boxd (.*)$`).FindStringSubmatch(string(unit))[1])
	for i, a := range args { // this machine's own files and ports are not for a test
		args[i] = strings.NewReplacer("/etc/boxd", t.TempDir(), "0.0.0.0:8080", "127.0.0.1:0").Replace(a)
	}
	c := exec.Command(bin, args...)
	c.Env = append(os.Environ(), "STATE_DIRECTORY="+t.TempDir())
	out, err := c.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := c.Start(); err != nil {
		t.Fatal(err)
	}
	late := time.AfterFunc(time.Minute, func() { _ = c.Process.Kill() })
	defer late.Stop()
	said := ""
	for s := bufio.NewScanner(out); !strings.Contains(said, "\npage ") && s.Scan(); {
		said += s.Text() + "\n"
	}
	if !strings.Contains(said, "follow the guide") || !strings.Contains(said, "with the code") || !strings.Contains(said, "\npage ") {
		t.Errorf("it says\n%s", said)
	}
	if err := c.Process.Signal(os.Interrupt); err != nil {
		t.Fatal(err)
	}
	if err := c.Wait(); err != nil {
		t.Errorf("interrupted it ends with %v", err)
	}
}

func missing(t *testing.T, what string) {
	t.Helper()
	if os.Getenv("BOXD_REQUIRE_PACKAGING") != "" {
		t.Fatalf("%s is missing", what)
	}
	t.Skipf("%s is missing", what)
}

// tree is a Debian installation.
type tree struct {
	*testing.T
	root string
}

func (t tree) run(args ...string) string {
	t.Helper()
	out, err := exec.Command("chroot", append([]string{t.root}, args...)...).CombinedOutput()
	if err != nil {
		t.Fatalf("%s: %v\n%s", strings.Join(args, " "), err, out)
	}
	return string(out)
}

func (t tree) has(path string, want bool) {
	t.Helper()
	if _, err := os.Lstat(filepath.Join(t.root, path)); (err == nil) != want {
		t.Errorf("%s: there %v, want %v", path, err == nil, want)
	}
}

func (t tree) write(path, text string) {
	t.Helper()
	if err := os.WriteFile(filepath.Join(t.root, path), []byte(text), 0o640); err != nil {
		t.Fatal(err)
	}
}

func (t tree) install(from string) string {
	t.Helper()
	b, err := os.ReadFile(from)
	if err != nil {
		t.Fatal(err)
	}
	t.write("boxd.deb", string(b))
	defer os.Remove(filepath.Join(t.root, "boxd.deb"))
	return t.run("dpkg", "-i", "/boxd.deb")
}

func TestInstallUpgradeRemovePurge(t *testing.T) {
	root := os.Getenv("BOXD_DEBIAN_TREE")
	if root == "" || os.Getuid() != 0 {
		missing(t, "BOXD_DEBIAN_TREE, or root,")
	}
	d := tree{t, root}
	said := d.install(one(t))
	if !strings.Contains(said, "to set up your box, open https://") {
		t.Errorf("says %s", said)
	}
	for _, p := range []string{"usr/bin/boxd", "usr/lib/systemd/system/boxd.service", "usr/lib/udev/rules.d/60-boxd.rules", "usr/share/doc/boxd/examples/box.yaml", "usr/share/doc/boxd/docs/README.md", "usr/share/doc/boxd/hw/README.md"} {
		d.has(p, true)
	}
	// The manual and the completion know what boxd knows. A minimal tree leaves
	// manuals out, so the package itself is asked.
	if got := d.run("boxd", "version"); got != "boxd 1.0.0\n" {
		t.Errorf("version %q", got)
	}
	d.run("boxd", "check", "-config", "/usr/share/doc/boxd/examples/box.yaml")
	if got := d.run("stat", "-c", "%U %a", "/var/lib/boxd"); got != "boxd 750\n" {
		t.Errorf("the state's folder: %s", got)
	}
	for _, g := range []string{"i2c", "gpio", "dialout"} {
		d.run("getent", "group", g)
	}
	d.write("var/lib/boxd/boxd.sqlite", "an archive")
	d.write("etc/boxd/box.yaml", "zones: []\n")
	if said := d.install(packaged(t, "1.0.1")); strings.Contains(said, "to set up your box") {
		t.Errorf("an upgrade says %s", said)
	}
	d.has("var/lib/boxd/boxd.sqlite", true)
	d.run("dpkg", "--remove", "boxd")
	d.has("usr/bin/boxd", false)
	d.has("var/lib/boxd/boxd.sqlite", true)
	d.has("etc/boxd/box.yaml", true)
	d.run("dpkg", "--purge", "boxd")
	d.has("var/lib/boxd", false)
	d.has("etc/boxd", false)
	if err := exec.Command("chroot", root, "getent", "passwd", "boxd").Run(); err == nil {
		t.Error("the user is left over")
	}
}

func TestTheManualNamesEveryCommand(t *testing.T) {
	dir := t.TempDir()
	deb := one(t)
	if out, err := exec.Command("dpkg-deb", "-x", deb, dir).CombinedOutput(); err != nil {
		missing(t, "dpkg-deb: "+string(out))
	}
	man, err := exec.Command("gzip", "-dc", filepath.Join(dir, "usr/share/man/man1/boxd.1.gz")).Output()
	if err != nil {
		t.Fatal(err)
	}
	completion, err := os.ReadFile(filepath.Join(dir, "usr/share/bash-completion/completions/boxd"))
	if err != nil {
		t.Fatal(err)
	}
	// The commands of the contract.
	for _, c := range []string{"demo", "run", "check", "plan", "replay", "runs", "export", "version"} {
		if !strings.Contains(string(man), ".B boxd "+`\&`+c+"\n") {
			t.Errorf("the manual lacks %s", c)
		}
	}
	if !strings.Contains(string(completion), "replay) mapfile -t COMPREPLY < <(compgen -W \"-config -json -person -trace") {
		t.Errorf("completion of replay: %s", completion)
	}
	if out, err := exec.Command("bash", "-n", filepath.Join(dir, "usr/share/bash-completion/completions/boxd")).CombinedOutput(); err != nil {
		t.Errorf("%v %s", err, out)
	}
}
