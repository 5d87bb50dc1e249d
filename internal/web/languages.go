package web

import "boxd/internal/say"

// Languages are the messages of every language but English, by its code: for
// other pages that speak as these do.
func Languages() map[string]say.Messages {
	out := map[string]say.Messages{}
	for _, lang := range languages()[1:] {
		out[lang] = messagesIn(lang)
	}
	return out
}
