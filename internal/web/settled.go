package web

import (
	"html/template"
	"slices"
	"text/template/parse"

	"boxd/internal/say"
)

// settleWords says every sentence without quantities, {{t "…"}}, once and for all:
// most of a page are such, and each would be looked up and escaped again with every
// view. The escape is the one that html/template would give it in text and in quoted
// attributes, and nowhere else do pages have sentences (a test holds that).
func settleWords(all *template.Template, v say.Voice) {
	for _, t := range all.Templates() {
		if t.Tree != nil {
			settleList(t.Tree.Root, v)
		}
	}
}

func settleList(list *parse.ListNode, v say.Voice) {
	if list == nil {
		return
	}
	kept := list.Nodes[:0]
	var text *parse.TextNode // the last of kept, where it is one
	for _, n := range list.Nodes {
		t := asText(n, v)
		switch {
		case t == nil:
			settleParts(n, v)
			kept = append(kept, n)
		case text == nil:
			kept = append(kept, t)
		default:
			text.Text = slices.Concat(text.Text, t.Text)
			continue
		}
		text = t
	}
	list.Nodes = kept
}

func settleParts(n parse.Node, v say.Voice) {
	var b *parse.BranchNode
	switch n := n.(type) {
	case *parse.IfNode:
		b = &n.BranchNode
	case *parse.RangeNode:
		b = &n.BranchNode
	case *parse.WithNode:
		b = &n.BranchNode
	default:
		return
	}
	settleList(b.List, v)
	settleList(b.ElseList, v)
}

// asText is a node that says the same whatever the view; nil: it doesn't.
func asText(n parse.Node, v say.Voice) *parse.TextNode {
	switch n := n.(type) {
	case *parse.TextNode:
		return n
	case *parse.ActionNode:
		if len(n.Pipe.Decl) > 0 || len(n.Pipe.Cmds) != 1 || len(n.Pipe.Cmds[0].Args) != 2 {
			return nil
		}
		name, ok1 := n.Pipe.Cmds[0].Args[0].(*parse.IdentifierNode)
		format, ok2 := n.Pipe.Cmds[0].Args[1].(*parse.StringNode)
		if ok1 && ok2 && name.Ident == "t" {
			said := template.HTMLEscapeString(v.Say(say.Text{Format: format.Text}))
			return &parse.TextNode{NodeType: parse.NodeText, Pos: n.Pos, Text: []byte(said)}
		}
	}
	return nil
}
