package setup

import (
	"path/filepath"
	"slices"

	"boxd/internal/say"
)

// The fields of who is told, and how. A secret has a file of its own, which the
// configuration names.
const (
	AlertAddress   = "alerts.address"
	AlertLanguage  = "alerts[0].language"
	alertQuiet     = "alerts[0].quiet"
	BrokerSaid     = "mqtt.said"
	BrokerURL      = "mqtt.broker"
	BrokerUser     = "mqtt.user"
	BrokerPassword = "mqtt.password"
)

// What can be said of a broker.
const (
	NoBroker       = "none"
	EmbeddedBroker = "embedded"
	OwnBroker      = "own"
)

func (d *Draft) tellFields() []Field {
	fields := []Field{
		{Name: AlertAddress, Label: say.T("Address for alerts"), Hint: say.T("such as ntfy://ntfy.example/topic; the manual has the forms of others; - takes it away"), Kind: Secret},
		{Name: AlertLanguage, Label: say.T("Alerts are told in"), Kind: Choose, Choices: []Choice{{"en", say.Verbatim("English")}, {"es", say.Verbatim("español")}}},
		{Name: alertQuiet, Label: say.T("Quiet hours"), Hint: say.T("such as 22:00-06:00: only what is critical is sent then"), Kind: Line},
		{Name: BrokerSaid, Label: say.T("MQTT broker"), Kind: Choose, Choices: []Choice{
			{NoBroker, say.T("none: nothing is published")}, {EmbeddedBroker, say.T("the one built in, for programs on the box itself")}, {OwnBroker, say.T("one of your own, named below")}}},
	}
	own := d.said(BrokerSaid) == OwnBroker
	return append(fields,
		Field{Name: BrokerURL, Label: say.T("URL of your broker"), Hint: say.T("such as mqtts://broker.example:8883"), Kind: Line, Must: own},
		Field{Name: BrokerUser, Label: say.T("Its user"), Hint: say.T("one that may publish and read boxd/ and the box's name"), Kind: Line},
		Field{Name: BrokerPassword, Label: say.T("Its password"), Hint: say.T("- takes it away"), Kind: Secret})
}

// Secret is what was said in a Secret field; empty: nothing.
func (d *Draft) Secret(name string) string { return d.Secrets[name] }

// SecretFiles are the secrets that the configuration names, by the file's path.
func (d *Draft) SecretFiles() map[string]string {
	out := map[string]string{}
	for _, name := range []string{AlertAddress, BrokerPassword} {
		if text := d.Secret(name); text != "" {
			out[d.secretFile(name)] = text
		}
	}
	return out
}

func (d *Draft) secretFile(name string) string {
	file := "alert-address"
	if name == BrokerPassword {
		file = "broker-password"
	}
	return filepath.Join(d.Dir, file)
}

// writeTelling writes who is told of what.
func (d *Draft) writeTelling(w *writer) {
	if d.Secret(AlertAddress) != "" {
		w.line("")
		w.line("# Who is told; the address is in a file of its own. events: and more addresses: the manual, Alerts to a phone.")
		w.line("alerts:")
		w.mapping("  - ", append([]pair{{"url_file", quoted(d.secretFile(AlertAddress))}}, d.of("alerts[0].", "quiet", "language")...), "")
		w.line("")
	}
	switch d.said(BrokerSaid) {
	case OwnBroker:
		pairs := d.of("mqtt.", "broker", "user")
		if d.Secret(BrokerPassword) != "" {
			pairs = append(pairs, pair{"password_file", quoted(d.secretFile(BrokerPassword))})
		}
		w.mapping("mqtt: ", pairs, "")
	case EmbeddedBroker:
		w.line("# Only programs on the box itself can read there (the manual, MQTT).")
		w.line("mqtt: {broker: embedded}")
	default:
		w.line("# Nothing is published: broker: embedded or a broker's URL changes that (the manual, MQTT).")
		w.line("mqtt: {broker: none}")
	}
}

// Fail adds what was found wrong elsewhere, at its field.
func (r *Result) Fail(f Fault) {
	if !slices.ContainsFunc(r.Faults, func(o Fault) bool { return o.Field == f.Field && o.Step == f.Step }) {
		r.Faults = append(r.Faults, f)
	}
	r.Config = nil
}
