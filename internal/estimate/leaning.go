package estimate

// leaning is a window whose values may rise or fall steadily.
type leaning struct {
	ranked
	added int // values ever: the newest has this number
	// order are the numbers of the values by how far they stood over the line
	// through them, the last time that was asked; those up to asked.
	order   [windowSize]int
	ordered int
	asked   int
}

func (w *leaning) add(t, y float64) {
	w.ranked.add(t, y)
	w.added++
}

func (w *leaning) reset() {
	w.ranked.reset()
	w.ordered, w.asked = 0, w.added
}

// about is 1.4826·MAD of all values about the straight line through them: what a
// steady rise or fall adds to their spread is left out.
func (w *leaning) about() float64 {
	var all sums
	t, y := w.values()
	for i := range t {
		all.add(t[i], y[i])
	}
	l, ok := all.through()
	if !ok {
		return 0
	}
	oldest := w.added - len(t) + 1
	order, over := w.present(oldest), w.scratch[:0]
	for i, k := range order {
		at := k - oldest
		x := y[at] - l.mean - float64(l.slope*(t[at]-l.centre))
		over = append(over, x)
		// Hardly any has left its place since: few steps put it right.
		j := i
		for ; j > 0 && over[j-1] > x; j-- {
			over[j], order[j] = over[j-1], order[j-1]
		}
		over[j], order[j] = x, k
	}
	_, sigma := spread(over)
	return sigma
}

// present brings order up to date: without those that are no longer there, and
// with the new ones at its end.
func (w *leaning) present(oldest int) []int {
	order := w.order[:0]
	for _, k := range w.order[:w.ordered] {
		if k >= oldest {
			order = append(order, k)
		}
	}
	for k := max(oldest, w.asked+1); k <= w.added; k++ {
		order = append(order, k)
	}
	w.ordered, w.asked = len(order), w.added
	return order
}
