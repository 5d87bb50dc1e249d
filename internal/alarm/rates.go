package alarm

import "time"

// Chattering and floods, after ISA-18.2 and EEMUA 191 (from memory): an alarm
// chatters that is activated three times in a minute; a flood begins with more
// than ten announced alarms in ten minutes and ends below five. That an alarm
// counts as quiet again after ten minutes is common practice, no source.
const (
	ChatterCount  = 3
	chatterWithin = time.Minute
	quietAfter    = 10 * time.Minute

	FloodOver   = 10 // a flood begins above so many in ten minutes
	FloodUnder  = 5  // and ends below so many
	floodWindow = 10 * time.Minute
)

// riseRing are the latest activations of one alarm.
type riseRing struct {
	at [ChatterCount]time.Duration
	n  uint64
}

func (r *riseRing) add(now time.Duration) {
	r.at[r.n%ChatterCount] = now
	r.n++
}

func (r *riseRing) chatters(now time.Duration) bool {
	return r.n >= ChatterCount && now-r.at[r.n%ChatterCount] <= chatterWithin
}

func (r *riseRing) quiet(now time.Duration) bool {
	return r.n == 0 || now-r.at[(r.n-1)%ChatterCount] > quietAfter
}

const (
	maxRecent = 64  // announcements remembered one by one; a flood is told by far fewer
	dayParts  = 144 // of ten minutes
)

// part is one of the last day's ten minutes.
type part struct {
	number   int64 // since time zero
	count    int
	observed time.Duration
	flooded  time.Duration
}

// Rates counts the announced alarms of the last day. The zero Rates has seen
// nothing.
type Rates struct {
	recent [maxRecent]time.Duration
	n      uint64
	flood  bool
	now    time.Duration
	parts  [dayParts]part
	begun  bool
	total  Total
}

// Total is the time seen since the beginning, and how much of it was a flood.
type Total struct{ Observed, Flooded time.Duration }

// Figures are the rates at a moment.
type Figures struct {
	LastTenMinutes int
	LastHour       int // whole parts of ten minutes
	LastDay        int
	PerHour        float64       // mean of what was observed of the last day
	Flood          bool          // now
	FloodShare     float64       // of the time observed, 0 to 1
	Observed       time.Duration // of the last day
}

// Turn passes to time now and reports whether a flood began or ended. A gap of
// more than ten minutes was not observed.
func (r *Rates) Turn(now time.Duration, announced int) (began, ended bool) {
	p := r.part(now)
	if dt := now - r.now; r.begun && dt <= floodWindow {
		p.observed += dt
		r.total.Observed += dt
		if r.flood {
			p.flooded += dt
			r.total.Flooded += dt
		}
	}
	r.now, r.begun = now, true
	for range announced {
		r.recent[r.n%maxRecent] = now
		r.n++
		p.count++
	}
	switch n := r.inWindow(); {
	case !r.flood && n > FloodOver:
		r.flood, began = true, true
	case r.flood && n < FloodUnder:
		r.flood, ended = false, true
	}
	return began, ended
}

func (r *Rates) part(now time.Duration) *part {
	number := int64(now / floodWindow)
	p := &r.parts[number%dayParts]
	if p.number != number {
		*p = part{number: number}
	}
	return p
}

func (r *Rates) inWindow() int {
	n := 0
	for k := r.n; k > 0 && r.n-k < maxRecent && r.now-r.recent[(k-1)%maxRecent] < floodWindow; k-- {
		n++
	}
	return n
}

// Figures are the rates now.
func (r *Rates) Figures() Figures {
	f := Figures{LastTenMinutes: r.inWindow(), Flood: r.flood}
	last := int64(r.now / floodWindow)
	var flooded time.Duration
	for i := range r.parts {
		p := &r.parts[i]
		if last-p.number >= dayParts {
			continue
		}
		if last-p.number < 6 {
			f.LastHour += p.count
		}
		f.LastDay += p.count
		f.Observed += p.observed
		flooded += p.flooded
	}
	if f.Observed > 0 {
		f.PerHour = float64(f.LastDay) / f.Observed.Hours()
		f.FloodShare = float64(flooded) / float64(f.Observed)
	}
	return f
}
