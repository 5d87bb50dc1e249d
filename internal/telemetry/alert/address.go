package alert

import (
	"errors"
	"fmt"
	"net/url"
	"os"
	"regexp"
	"slices"
	"strings"
	"time"

	"github.com/nicholas-fedor/shoutrrr/pkg/types"

	"boxd/internal/telemetry"
)

// Config says where alerts go. All three sources add up.
type Config struct {
	Where   string             // the key in the config, for errors: alerts[0]; empty: alerts
	URLs    []telemetry.Secret // from the config file
	File    string             // one address a line, # begins a remark; keep it readable by boxd only
	Env     string             // name of an environment variable: addresses separated by spaces
	Timeout time.Duration      // of one try; 0: DefaultTimeout
}

// Bounds of the sources.
const (
	maxFile    = 64 << 10 // bytes
	maxTargets = 16
)

type address struct {
	url    string
	scheme string // of the service, without a "+http" after it
	host   string
	where  string // for errors: "alerts[0].url", "alerts.txt:3"
}

func (c Config) addresses() ([]address, error) {
	var list []address
	var faults []error
	key := c.Where
	if key == "" {
		key = "alerts"
	}
	add := func(raw, where string) {
		a, err := parse(raw, where)
		if err != nil {
			faults = append(faults, err)
			return
		}
		list = append(list, a)
	}
	for i, u := range c.URLs {
		where := key + ".url"
		if len(c.URLs) > 1 {
			where = fmt.Sprintf("%s (number %d)", where, i+1)
		}
		add(string(u), where)
	}
	if err := c.fromFile(add); err != nil {
		faults = append(faults, err)
	}
	if c.Env != "" {
		words := strings.Fields(os.Getenv(c.Env))
		if len(words) == 0 {
			faults = append(faults, fmt.Errorf("cannot read the alert addresses: the environment variable %s is empty: set it, or take %s.url_env out", c.Env, key))
		}
		for i, u := range words {
			add(u, fmt.Sprintf("$%s, number %d", c.Env, i+1))
		}
	}
	if len(list) > maxTargets {
		faults = append(faults, fmt.Errorf("cannot alert %d addresses: at most %d: send to a group or a list instead", len(list), maxTargets))
	}
	return list, errors.Join(faults...)
}

func (c Config) fromFile(add func(raw, where string)) error {
	if c.File == "" {
		return nil
	}
	lines, err := fileLines(c.File)
	if err != nil {
		return err
	}
	found := false
	for i, line := range lines {
		if line = strings.TrimSpace(line); line != "" && line[0] != '#' {
			found = true
			add(line, fmt.Sprintf("%s:%d", c.File, i+1))
		}
	}
	if !found {
		return fmt.Errorf("cannot read the alert addresses: %s holds none: write one a line", c.File)
	}
	return nil
}

func fileLines(path string) ([]string, error) {
	info, err := os.Stat(path)
	if err != nil {
		return nil, fmt.Errorf("cannot read the alert addresses: %w", err)
	}
	if info.Size() > maxFile {
		return nil, fmt.Errorf("cannot read the alert addresses: %s is longer than %d bytes: is it the right file", path, maxFile)
	}
	b, err := os.ReadFile(path)
	if err != nil {
		return nil, fmt.Errorf("cannot read the alert addresses: %w", err)
	}
	return strings.Split(string(b), "\n"), nil
}

func parse(raw, where string) (address, error) {
	u, err := url.Parse(raw)
	if err != nil || u.Scheme == "" {
		return address{}, fmt.Errorf("cannot read the alert address at %s: write it like ntfy://host/topic or generic+https://host/hook", where)
	}
	scheme, _, _ := strings.Cut(strings.ToLower(u.Scheme), "+")
	return address{url: raw, scheme: scheme, host: u.Host, where: where}, nil
}

// name shows the host only of services where the host is a host: elsewhere it
// holds a token.
func (a address) name() string {
	if a.showsHost() && a.host != "" {
		return a.scheme + "://" + a.host
	}
	return a.scheme
}

func (a address) showsHost() bool {
	return slices.Contains([]string{"ntfy", "smtp", "generic", "gotify", "mattermost", "rocketchat", "matrix", "signal"}, a.scheme)
}

// urlLike finds addresses in the library's errors: an API address can hold the
// token, too.
var urlLike = regexp.MustCompile(`[A-Za-z][A-Za-z0-9+.-]*://[^\s"']+`)

const secret = "<secret>"

// redact is the error's text without any part of the address that could be a
// secret.
func (a address) redact(err error) string {
	text := urlLike.ReplaceAllString(err.Error(), "<address>")
	for _, part := range a.secrets() {
		text = strings.ReplaceAll(text, part, secret)
	}
	return text
}

// secrets are the parts of the address, longest first, as written and decoded.
// Parts shorter than three bytes are too common to be replaced and too short to
// be secrets.
func (a address) secrets() []string {
	parts := []string{a.url}
	u, err := url.Parse(a.url)
	if err != nil {
		return parts
	}
	parts = append(parts, u.User.Username(), u.User.String(), u.RawQuery)
	if p, ok := u.User.Password(); ok {
		parts = append(parts, p)
	}
	parts = append(parts, u.Path, u.EscapedPath())
	parts = append(parts, strings.Split(u.Path, "/")...)
	for _, values := range u.Query() {
		parts = append(parts, values...)
		for _, v := range values {
			parts = append(parts, url.QueryEscape(v))
		}
	}
	if !a.showsHost() {
		parts = append(parts, u.Hostname())
	}
	parts = slices.DeleteFunc(parts, func(p string) bool { return len(p) < 3 })
	slices.SortFunc(parts, func(x, y string) int { return len(y) - len(x) })
	return parts
}

// words fits a note to a service: who takes a title or a priority gets it, who
// does not gets the title in the text. What a service does not know would be an
// error of it.
func words(scheme string, n Note) (string, types.Params) {
	p := types.Params{}
	text := n.Text
	title := oneLine(n.Title)
	if scheme == "generic" && n.ID != "" {
		p["id"] = n.ID // the same at each try: a receiver can tell a second copy
	}
	switch {
	case n.Link == "":
	case scheme == "ntfy":
		p["click"] = n.Link
	case scheme == "generic":
		p["link"] = n.Link
	default:
		text += "\n" + n.Link
	}
	switch scheme {
	case "googlechat", "hangouts", "rocketchat", "signal", "wecom", "pagerduty", "notifiarr", "logger":
		text = strings.TrimPrefix(title+": "+text, ": ")
	default:
		if title != "" {
			p["title"] = title
		}
	}
	if v := level(scheme, n.Priority); v != "" {
		p["priority"] = v
	}
	return text, p
}

// level is the service's own scale: ntfy 1 to 5, gotify 0 to 10, pushover -2 to
// 2 where 2 wants to be acknowledged, so critical stays at 1.
func level(scheme string, p Priority) string {
	scale, ok := map[string][3]string{
		"ntfy":     {"3", "4", "5"},
		"gotify":   {"3", "6", "9"},
		"pushover": {"0", "1", "1"},
		"opsgenie": {"P4", "P2", "P1"},
		"generic":  {"low", "high", "critical"},
	}[scheme]
	if !ok || p == UnknownPriority {
		return ""
	}
	return scale[p-Low]
}

func oneLine(s string) string { return strings.Join(strings.Fields(s), " ") }
