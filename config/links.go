package config

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"gopkg.in/yaml.v3"

	"boxd/internal/units"
)

// links reads what the box tells others by: page, broker, database, alerts.
func (d *decoder) links(s section, c *Config) {
	d.web(s, &c.Web)
	d.mqtt(s, &c.MQTT)
	i := s.sub("influx", "url", "org", "bucket", "token_file", "token_env", "ca_file")
	read(i, "url", &c.Influx.URL, address("http://127.0.0.1:8086", "http", "https"))
	i.text("org", &c.Influx.Org)
	i.text("bucket", &c.Influx.Bucket)
	i.text("token_file", &c.Influx.TokenFile)
	i.text("token_env", &c.Influx.TokenEnv)
	i.text("ca_file", &c.Influx.CAFile)
	if i.has("token_file") && i.has("token_env") {
		d.at("influx.token_env", "is given beside token_file", "leave one of them out")
	}
	i.need("url", "http://127.0.0.1:8086")
	i.need("bucket", "boxd")
	for n, e := range s.list("alerts") {
		c.Alerts = append(c.Alerts, d.alert(e, index("alerts", n)))
	}
}

// web reads the page's section.
func (d *decoder) web(s section, v *Web) {
	w := s.sub("web", "listen", "hosts", "access", "view", "tls", "cert_file", "key_file", "public_url")
	read(w, "public_url", &v.Public, address("https://box.station.example", "http", "https"))
	read(w, "listen", &v.Listen, listen)
	for n, e := range w.list("hosts") {
		var h string
		readNode(d, e, index("web.hosts", n), &h, parseText)
		v.Hosts = append(v.Hosts, h)
	}
	word(w, "access", &v.Open, func(t string) (bool, bool) { return t == "open", t == "open" || t == "sign-in" }, "sign-in", "open")
	word(w, "view", &v.OpenView, func(t string) (bool, bool) { return t == "local-network", t == "local-network" || t == "signed-in" }, "local-network", "signed-in")
	word(w, "tls", &v.TLS, tlsByName, "off", "self-made")
	w.text("cert_file", &v.CertFile)
	w.text("key_file", &v.KeyFile)
	switch {
	case w.has("cert_file") != w.has("key_file"):
		d.at("web", "has only one of cert_file and key_file", "give both or none")
	case w.has("cert_file") && w.has("tls"):
		d.at("web.tls", fmt.Sprintf("is for a page without a certificate from files, but there is web.cert_file (line %d)", d.line("web.cert_file")), "leave one of them out")
	case w.has("cert_file"):
		v.TLS = TLSFiles
	}
}

func tlsByName(t string) (TLS, bool) {
	switch t {
	case "off":
		return TLSOff, true
	case "self-made":
		return TLSSelfMade, true
	}
	return TLSUnsaid, false
}

func (d *decoder) mqtt(s section, v *MQTT) {
	m := s.sub("mqtt", "broker", "listen", "reader", "reader_password_file", "client_id", "no_read_back", "user", "password_file", "ca_file", "cert_file", "key_file")
	read(m, "broker", &v.Broker, broker)
	read(m, "listen", &v.Listen, listen)
	m.text("user", &v.User)
	m.text("password_file", &v.PasswordFile)
	m.text("ca_file", &v.CAFile)
	m.text("cert_file", &v.CertFile)
	m.text("key_file", &v.KeyFile)
	m.text("reader", &v.Reader)
	m.text("reader_password_file", &v.ReaderFile)
	m.text("client_id", &v.ClientID)
	m.truth("no_read_back", &v.NoReadBack)
	if m.has("reader") != m.has("reader_password_file") {
		d.at("mqtt", "has only one of reader and reader_password_file", "give both or none")
	}
	if m.has("reader") && v.Broker != "embedded" {
		d.at("mqtt.reader", fmt.Sprintf("is for the embedded broker, but mqtt.broker (line %d) is another", d.line("mqtt.broker")), "leave one of them out")
	}
	if m.has("listen") && v.Broker != "embedded" {
		d.at("mqtt.listen", fmt.Sprintf("is for the embedded broker, but mqtt.broker (line %d) is another", d.line("mqtt.broker")), "leave one of them out")
	}
	if m.has("cert_file") != m.has("key_file") {
		d.at("mqtt", "has only one of cert_file and key_file", "give both or none")
	}
}

// broker reads "embedded", "none" or a URL.
func broker(text string) (string, error) {
	switch text {
	case "embedded":
		return text, nil
	case "none":
		return "", nil
	}
	u, err := address("mqtts://broker.example:8883", "mqtt", "mqtts", "tcp", "ssl", "ws", "wss")(text)
	if err != nil {
		return "", &units.QuantityError{Problem: "is not a broker", Hint: "write embedded, none or a URL such as mqtts://broker.example:8883 (user and password_file are keys of their own)"}
	}
	return u, nil
}

// alertEvents are the words an alert may ask for, besides the alarm ids.
func alertEvents() []string {
	return []string{"critical", "high", "low", "your-turn", "freeze-outlook", "lines_full", "pressurised", "injection_started", "injection_ended", "clean_at_box", "flush_done", "secured",
		"backflow-protection-missing", "backflow-sign", "supply-pressure-low", "header-pressure-low", "header-pressure-high",
		"filter-clogging", "filter-torn", "injector-not-cycling", "ratio-off", "flow-above-expected", "flow-below-expected", "ec-above-limit",
		"stock-empty", "flush-incomplete", "freeze-risk", "sensor-fault", "clock-jump", "archive-failing", "link-down"}
}

// An alarm is not repeated more often than this, nor less.
const (
	repeatLeast = time.Minute
	repeatMost  = 24 * time.Hour
)

// clockTime reads a time of the day.
func clockTime(text string) (time.Duration, error) {
	t, err := time.Parse("15:04", text)
	if err != nil {
		return 0, &units.QuantityError{Problem: fmt.Sprintf("%q is no time of the day", text), Hint: "write it like 17:00"}
	}
	return time.Duration(t.Hour())*time.Hour + time.Duration(t.Minute())*time.Minute, nil
}

// quiet reads hours of the day.
func quiet(text string) (Quiet, error) {
	from, until, ok := strings.Cut(text, "-")
	a, errA := clockTime(strings.TrimSpace(from))
	b, errB := clockTime(strings.TrimSpace(until))
	if !ok || errA != nil || errB != nil || a == b {
		return Quiet{}, &units.QuantityError{Problem: fmt.Sprintf("%q are no hours", text), Hint: `write them like "22:00-06:00"`}
	}
	return Quiet{a, b}, nil
}

// repeats reads how often an alarm is said again.
func repeats(text string) (time.Duration, error) {
	v, err := units.ParseDuration(text)
	if err != nil {
		return 0, err
	}
	if v < repeatLeast || v > repeatMost {
		return 0, &units.QuantityError{Problem: "is not between 1 min and 24 h", Hint: "write it like 10 min"}
	}
	return v, nil
}

// Languages are what alerts can be told in, by code; the first where nothing is said.
func Languages() []string { return []string{"en", "es"} }

// language reads which of them.
func language(text string) (string, error) {
	if !slices.Contains(Languages(), text) {
		return "", &units.QuantityError{Problem: fmt.Sprintf("%q is no language boxd has", text), Hint: "write " + strings.Join(Languages(), " or ")}
	}
	return text, nil
}

// alert reads one way to a person. Without events it tells critical and high
// alarms, the end of the flush, that it is the person's turn, and frost ahead.
func (d *decoder) alert(n *yaml.Node, path string) Alert {
	a := Alert{Events: []string{"critical", "high", "flush_done", "your-turn", "freeze-outlook"}, Language: Languages()[0]}
	s := d.section(n, path, "url", "url_file", "url_env", "events", "quiet", "repeat", "language")
	var url string
	s.text("url", &url)
	a.URL = Secret(url)
	s.text("url_file", &a.URLFile)
	s.text("url_env", &a.URLEnv)
	read(s, "quiet", &a.Quiet, quiet)
	read(s, "repeat", &a.Repeat, repeats)
	read(s, "language", &a.Language, language)
	given := 0
	for _, key := range []string{"url", "url_file", "url_env"} {
		if s.has(key) {
			given++
		}
	}
	if s.known && given != 1 {
		d.at(path, fmt.Sprintf("has %d of url, url_file and url_env", given), "give exactly one, best url_file: the address holds a secret")
	}
	if list := s.list("events"); s.has("events") {
		a.Events = d.events(list, s.at("events"))
	}
	return a
}

func (d *decoder) events(list []*yaml.Node, path string) []string {
	var out []string
	for i, e := range list {
		at := index(path, i)
		n, ok := d.scalar(e, at)
		if !ok {
			continue
		}
		if !slices.Contains(alertEvents(), n.Value) {
			hint := "write priorities (critical, high, low), milestones (flush_done, …) or alarm ids (freeze-risk, …)"
			if near, ok := nearest(n.Value, alertEvents()); ok {
				hint = fmt.Sprintf("did you mean %s?", near)
			}
			d.at(at, fmt.Sprintf("%q is nothing boxd tells of", n.Value), hint)
			continue
		}
		out = append(out, n.Value)
	}
	return out
}
