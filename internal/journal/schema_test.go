package journal

// docs/run.schema.json is what others are promised of the JSON export. It is made
// from the types that are written (-rewrite), and what is exported is held to it
// by a library that knows JSON Schema and not our types.

import (
	"bytes"
	"encoding/json"
	"flag"
	"os"
	"reflect"
	"strings"
	"testing"
	"time"

	"github.com/santhosh-tekuri/jsonschema/v6"

	"boxd/internal/engine"
)

const schemaFile = "../../docs/run.schema.json"

var rewrite = flag.Bool("rewrite", false, "write docs/run.schema.json anew")

type object = map[string]any

// schemaOf describes a type as encoding/json writes it.
func schemaOf(t reflect.Type, defs object) object {
	switch {
	case t == reflect.TypeFor[time.Time]():
		return object{"type": "string", "format": "date-time"}
	case t == reflect.TypeFor[engine.EventKind]():
		return object{"type": "string"}
	}
	switch t.Kind() {
	case reflect.Pointer:
		return object{"anyOf": []any{schemaOf(t.Elem(), defs), object{"type": "null"}}}
	case reflect.Slice:
		return object{"type": []any{"array", "null"}, "items": schemaOf(t.Elem(), defs)}
	case reflect.Struct:
		if _, ok := defs[t.Name()]; !ok {
			defs[t.Name()] = nil // being made
			properties, required := object{}, []any{}
			fieldsOf(t, defs, properties, &required)
			defs[t.Name()] = object{"type": "object", "properties": properties, "required": required, "additionalProperties": false}
		}
		return object{"$ref": "#/$defs/" + t.Name()}
	case reflect.Map:
		return object{"type": "object", "additionalProperties": schemaOf(t.Elem(), defs)}
	case reflect.Bool:
		return object{"type": "boolean"}
	case reflect.String:
		return object{"type": "string"}
	case reflect.Float64:
		return object{"type": "number"}
	}
	return object{"type": "integer"}
}

func fieldsOf(t reflect.Type, defs, properties object, required *[]any) {
	for f := range t.Fields() {
		name, options, _ := strings.Cut(f.Tag.Get("json"), ",")
		switch {
		case f.Anonymous && name == "":
			fieldsOf(f.Type, defs, properties, required)
			continue
		case name == "-" || !f.IsExported():
			continue
		}
		p := schemaOf(f.Type, defs)
		if unit := unitOf(name); unit != "" {
			p["description"] = "unit: " + unit
		}
		properties[name] = p
		if !strings.Contains(options, "omitempty") {
			*required = append(*required, name)
		}
	}
}

// unitOf reads the unit out of a name.
func unitOf(name string) string {
	for _, u := range [][2]string{{"_us_cm", "µS/cm at 25 °C"}, {"_kpa", "kPa"}, {"_lpm", "L/min"}, {"_pct", "%"}, {"_l", "L"}, {"_g", "g"}, {"_mg", "mg"}, {"_s", "s"}, {"_c", "°C"}, {"_m", "m"}} {
		if strings.HasSuffix(name, u[0]) {
			return u[1]
		}
	}
	if name == "t" || name == "until_t" {
		return "s since the first input of the run"
	}
	return ""
}

func makeSchema() object {
	defs := object{}
	run := schemaOf(reflect.TypeFor[runJSON](), defs)
	schemaOf(reflect.TypeFor[engine.Event](), defs)
	event := defs["Event"].(object)["properties"].(object)
	event["why"] = object{"description": "one sentence or several", "anyOf": []any{object{"type": "string"}, object{"type": "array", "items": object{"type": "string"}}}}
	event["kind"] = object{"enum": []any{"step", "milestone", "alarm", "advice", "hold", "release", "action", "refusal", "note", "run", "forecast", "override"}}
	properties, required := object{}, []any{"t", "kind"}
	fieldsOf(reflect.TypeFor[engine.Summary](), defs, properties, &required)
	properties["t"], properties["kind"] = event["t"], object{"const": "summary"}
	defs["SummaryEvent"] = object{"type": "object", "properties": properties, "required": required, "additionalProperties": false}
	either := object{"oneOf": []any{object{"$ref": "#/$defs/Event"}, object{"$ref": "#/$defs/SummaryEvent"}}}
	texts := object{"type": "array", "items": object{"type": "string"}}
	cell := object{"type": []any{"number", "string", "null"}}
	return object{
		"$schema": "https://json-schema.org/draft/2020-12/schema", "title": "A run of a fertilizer-injection box, as boxd exports it",
		"description": "Times t are seconds since the first input of the run. The unit of a number is in its name, or in units beside columns. null is not known: never zero.",
		"type":        "object", "additionalProperties": false, "required": []any{"run", "events", "columns", "units", "estimates", "rows"},
		"properties": object{
			"run": run, "events": object{"type": "array", "items": either}, "columns": texts, "units": texts,
			"estimates": object{"description": "once a minute, by name; the unit of a value is in its name; without value and word it was unknown", "type": "array", "items": schemaOf(reflect.TypeFor[estimatesJSON](), defs)},
			"rows":      object{"description": "one array for each moment, in the order of columns: numbers, null for a missing sample, and last the words of what a person did, joined by ;", "type": "array", "items": object{"type": "array", "items": cell}},
		},
		"$defs": defs,
	}
}

func TestSchema(t *testing.T) {
	text, err := json.MarshalIndent(makeSchema(), "", " ")
	must(t, err)
	text = append(text, '\n')
	if *rewrite {
		must(t, os.WriteFile(schemaFile, text, 0o644))
	}
	published, err := os.ReadFile(schemaFile)
	must(t, err)
	if !bytes.Equal(published, text) {
		t.Errorf("%s is not what is exported: go test ./internal/journal -run Schema -rewrite", schemaFile)
	}
	c := jsonschema.NewCompiler()
	c.AssertFormat()
	schema, err := c.Compile(schemaFile)
	must(t, err)

	j, err := Open(thaw(t, "v1"))
	must(t, err)
	defer func() { must(t, j.Close()) }()
	long := new(bytes.Buffer)
	must(t, j.Export(t.Context(), long, frozen()["v1"].run, "json", nil))
	short := exampleRun(t)
	must(t, short.AddNote(t.Context(), Note{ID: "n", Run: "r1", Wall: morning, By: "Ada", Text: "dry"}))
	for name, text := range map[string][]byte{"a whole run": long.Bytes(), "every kind of event": export(t, short, "json")} {
		doc, err := jsonschema.UnmarshalJSON(bytes.NewReader(text))
		must(t, err)
		if err := schema.Validate(doc); err != nil {
			t.Errorf("%s: %v", name, err)
		}
		for _, spoil := range []func(object){
			func(d object) { delete(d, "columns") },
			func(d object) { d["more"] = 1 },
			func(d object) { d["estimates"] = []any{object{"t": 1, "of": object{"x": 3}}} },
			func(d object) { d["run"].(object)["start"] = "yesterday" },
			func(d object) { d["run"].(object)["summary"].(object)["volume_l"] = "512" },
			func(d object) { d["events"].([]any)[0].(object)["kind"] = "gossip" },
			func(d object) { d["rows"].([]any)[0].([]any)[1] = true },
		} {
			doc, err := jsonschema.UnmarshalJSON(bytes.NewReader(text))
			must(t, err)
			spoil(doc.(object))
			if schema.Validate(doc) == nil {
				t.Errorf("%s: what is spoiled passes", name)
			}
		}
	}
}
