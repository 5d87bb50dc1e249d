package web

import (
	"encoding/json"
	"regexp"

	"boxd/internal/say"
)

// scriptWord finds what a script says: w("…").
var scriptWord = regexp.MustCompile(`\bw\("((?:[^"\\]|\\.)*)"`)

// inScripts are the sentences of all our scripts.
func inScripts() []string {
	var out []string
	entries, err := files.ReadDir("static")
	if err != nil {
		panic("web: " + err.Error()) // embedded: it is there
	}
	for _, e := range entries {
		b, err := files.ReadFile("static/" + e.Name())
		if err != nil {
			panic("web: " + err.Error())
		}
		for _, m := range scriptWord.FindAllStringSubmatch(string(b), -1) {
			out = append(out, m[1])
		}
	}
	return out
}

// scriptWords are what the scripts say in a language, as JSON by the English
// form. The steps are among them, for the window's title.
func scriptWords(m say.Messages) string {
	words := map[string]string{}
	for _, english := range append(inScripts(), runSteps()...) {
		if there, ok := m[english]; ok {
			words[english] = there
		}
	}
	b, err := json.Marshal(words)
	if err != nil {
		panic("web: " + err.Error()) // strings alone
	}
	return string(b)
}
