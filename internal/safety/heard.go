package safety

import (
	"time"

	"boxd/internal/box"
)

// gauge is what the guard keeps of a gauge or a meter that is compared with another.
type gauge struct {
	tells  bool          // its reading, smoothed, is of this moment, good or only doubted
	lost   bool          // it was not heard, once
	silent time.Duration // core time when that was last
}

// backAfter is how long a gauge takes to tell of now when it is heard again: the sample
// that the median of three lacks, and three time constants of the smoothing, 2 s each. A
// pump that came on meanwhile would look like backflow until then. Common practice, no
// source.
const backAfter = 7 * time.Second

func (k *gauge) hear(now time.Duration, q box.Quality, c box.Cause) {
	if q == box.Bad || q == box.Uncertain && c != box.OutOfSpecification {
		k.lost, k.silent = true, now
	}
	k.tells = !k.lost || now-k.silent >= backAfter
}

// hear notes which gauges tell of now: what is compared with a reading of before makes
// a difference, or a ratio, that isn't there.
func (g *Guard) hear() {
	r, now := g.in.r, g.in.now
	g.supply.hear(now, r.Supply.Quality, r.Supply.Cause)
	g.filterOut.hear(now, r.FilterOut.Quality, r.FilterOut.Cause)
	g.header.hear(now, r.Header.Quality, r.Header.Cause)
	g.main.hear(now, r.Main.Quality, r.Main.Cause)
}

// across: both gauges of the filter tell of now.
func (g *Guard) across() bool { return g.supply.tells && g.filterOut.tells }

// ratio: the meter and the gauge that the flow is held against do.
func (g *Guard) ratio() bool { return g.main.tells && g.header.tells }
