// Package docs is the manual: Markdown, one subject a page, with its pictures and
// the files it hands out, for people at the box and in the office. README.md is its
// first page. The pages of the box show it (package manual).
package docs

import "embed"

// Files are the manual.
//
//go:embed *.md *.png *.json
var Files embed.FS
