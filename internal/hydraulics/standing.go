package hydraulics

import (
	"errors"
	"math"
	"sort"

	"boxd/internal/units"
)

// Knot is a point of what stands in the lines: of all of it, Mass (strength ×
// litres) stands further out than V_e = At.
type Knot struct {
	At   units.Litre `json:"at_l"`
	Mass float64     `json:"mass"`
}

// MaxStanding bounds the knots of a profile that is kept from run to run.
const MaxStanding = 4 * standingKnots

const standingKnots = 128

// Standing is what of the slug has not yet passed the emitter reached last, on
// the scale of V_e, farthest first; empty when nothing has.
func (s *Slug) Standing() []Knot {
	end := s.passed - float64(s.model.FlushVolume())
	total, gone := s.total(), s.gone(s.model.FlushVolume())
	if !(total-gone > 1e-9*total) { // what sums leave of nothing is nothing
		return nil
	}
	first := max(end, s.at[0])
	out := []Knot{{units.Litre(s.passed - first), 0}}
	from := sort.SearchFloat64s(s.at, first)
	// Every n-th knot is kept, and the ends of clean water in between, of which
	// there are few.
	stride := (len(s.at)-from)/standingKnots + 1
	apart := float64(s.model.FlushVolume()) / (standingKnots / 2)
	last := len(s.at) - 1
	for i := from; i <= last; i++ {
		gap := i > 0 && s.at[i]-s.at[i-1] > apart || i < last && s.at[i+1]-s.at[i] > apart
		if s.at[i] > first && (i == last || gap || (i-from)%stride == 0) {
			out = append(out, Knot{units.Litre(s.passed - s.at[i]), s.mass[i] - gone})
		}
	}
	return out
}

// JoinStanding is what stands in the lines when near came in behind far.
func JoinStanding(far, near []Knot) []Knot {
	if len(far) == 0 || len(near) == 0 {
		return append(append([]Knot(nil), far...), near...)
	}
	// Both counts are of the same water, but not to the last drop: the later
	// never overtakes the earlier.
	behind := far[len(far)-1]
	out := append([]Knot(nil), far...)
	for _, k := range near {
		out = append(out, Knot{min(k.At, behind.At), behind.Mass + k.Mass})
	}
	return out
}

// ErrStanding says that a profile is none.
var ErrStanding = errors.New("the profile of what stands in the lines is damaged")

// NewStanding is a slug that stands in the lines already, where knots say.
func NewStanding(m *Model, knots []Knot) (*Slug, error) {
	if len(knots) < 2 || len(knots) > MaxStanding || knots[0].Mass != 0 {
		return nil, ErrStanding
	}
	s := NewSlug(m)
	for i, k := range knots {
		if !units.Finite(k.At) || k.At < 0 || math.IsNaN(k.Mass) || math.IsInf(k.Mass, 0) {
			return nil, ErrStanding
		}
		if i > 0 && (k.At > knots[i-1].At || k.Mass < knots[i-1].Mass) {
			return nil, ErrStanding
		}
		if i > 0 && k.At == knots[i-1].At { // no water between: the later mass counts
			s.mass[len(s.mass)-1] = k.Mass
			continue
		}
		s.at, s.mass = append(s.at, -float64(k.At)), append(s.mass, k.Mass)
	}
	s.mass[0] = 0
	if !s.Begun() || len(s.at) < 2 {
		return nil, ErrStanding
	}
	s.front = s.at[0]
	return s, nil
}

// Held is how many litres of the lines hold water of the slug, from its front
// to its tail, clean water between two parts included.
func (s *Slug) Held() units.Litre {
	front, ok := s.Front()
	tail, _ := s.Tail()
	if !ok {
		return 0
	}
	// Line volume is Σ share·V_e: each emitter's part of the flow, times the
	// volume that passes until its water comes.
	litres := 0.0
	for _, p := range s.model.paths {
		litres += p.Share * math.Max(0, float64(min(front, p.Volume)-tail))
	}
	return units.Litre(litres)
}
