package hwio

import (
	"context"
	"time"

	"boxd/internal/box"
)

// task is an instrument with its beat. What lies above the blank line belongs
// to the bus' goroutine, what lies below to whoever holds the source's lock.
type task struct {
	instrument instrument
	every      time.Duration
	beat       time.Time // of the reading under way, or else the next
	begun      bool      // a reading is under way
	samples    []box.Sample

	channels []box.Channel
	next     time.Time    // when step is due; set by the goroutine alone, which reads it without the lock
	before   []box.Sample // not taken when ready came
	ready    []box.Sample
	came     int       // readings since the last call of take
	last     int       // and between the two calls before
	told     time.Time // when the channels were last said to wait
}

// Stats is how a bus keeps its beat.
type Stats struct {
	Bus      string
	Readings uint64        // whole ones
	Missed   uint64        // beats at which a reading should have begun and none could
	Faults   uint64        // samples with a fault
	MeanLate time.Duration // of a reading's begin after its beat
	MostLate time.Duration
	MostLong time.Duration // from a reading's beat to its end

	late time.Duration // in all
}

// Stats is how each bus keeps its beat, since the start.
func (s *Source) Stats() []Stats {
	s.mu.Lock()
	defer s.mu.Unlock()
	out := make([]Stats, len(s.buses))
	for i, b := range s.buses {
		out[i] = b.stats
	}
	return out
}

// turn reads a bus' instruments at their beats until ctx ends.
func (s *Source) turn(ctx context.Context, b *bus) {
	if b.close != nil {
		defer b.close()
	}
	timer := time.NewTimer(0)
	defer timer.Stop()
	for {
		t := b.soonest()
		if d := time.Until(t.next); d > 0 {
			timer.Reset(d)
			select {
			case <-ctx.Done():
				return
			case <-timer.C:
			}
		}
		if ctx.Err() != nil {
			return
		}
		s.step(ctx, b, t)
	}
}

// soonest is the task to be called next. Of those that are due together, the one
// whose turn it has been for longest, which is the order of the wiring.
func (b *bus) soonest() *task {
	first := b.tasks[0]
	for _, t := range b.tasks[1:] {
		if t.next.Before(first.next) {
			first = t
		}
	}
	return first
}

// step calls an instrument once and sets when it is called next.
func (s *Source) step(ctx context.Context, b *bus, t *task) {
	began := time.Now()
	late := began.Sub(t.beat)
	first := !t.begun
	if first {
		t.samples, t.begun = t.samples[:0], true
	}
	var wait time.Duration
	t.samples, wait = t.instrument.step(ctx, t.samples)
	now := time.Now()
	s.mu.Lock()
	defer s.mu.Unlock()
	if first {
		b.stats.began(late)
	}
	if wait > 0 {
		t.next = now.Add(wait)
		return
	}
	t.begun = false
	t.before, t.ready = t.ready, append(t.before[:0], t.samples...)
	t.came++
	b.stats.ended(now.Sub(t.beat), t.samples)
	t.beat = t.beat.Add(t.every)
	if missed := now.Sub(t.beat) / t.every; missed > 0 { // the last one passed is taken, late
		b.stats.Missed += uint64(missed)
		t.beat = t.beat.Add(missed * t.every)
	}
	t.next = t.beat
}

// began counts a reading that began so late.
func (v *Stats) began(late time.Duration) {
	v.Readings++
	v.late += late
	v.MeanLate = v.late / time.Duration(v.Readings)
	v.MostLate = max(v.MostLate, late)
}

func (v *Stats) ended(long time.Duration, samples []box.Sample) {
	v.MostLong = max(v.MostLong, long)
	for i := range samples {
		if samples[i].Fault != "" {
			v.Faults++
		}
	}
}

// overdue is after what time an instrument that has not had its turn is faulty:
// the time for which the conditioner bears one that says so itself. Common
// practice, no source.
const overdue = 5 * time.Second

// take appends what is ready: the newest reading, and the one before where it was
// not taken yet. When the daemon's beat and the bus' nearly meet, calls find two
// and none by turns; then the newer of two waits for the next call. Of an
// instrument that waits for its turn, because a transfer on its bus hangs, take
// says so: nobody waits for it.
func (t *task) take(dst []box.Sample, now time.Time) []box.Sample {
	byTurns := t.came == 2 && t.last == 0
	t.came, t.last = 0, t.came
	if len(t.ready) > 0 {
		dst = append(dst, t.before...)
		if t.before = t.before[:0]; !byTurns {
			dst = append(dst, t.ready...)
			t.ready = t.ready[:0]
		}
		return dst
	}
	if now.Sub(t.next) < overdue || now.Sub(t.told) < t.every {
		return dst
	}
	t.told = now
	for _, c := range t.channels {
		dst = append(dst, box.Failed(c, 0, "has no turn on its bus, where something hangs: look for a wire short to ground or an instrument that holds it; take the power off and on"))
	}
	return dst
}
