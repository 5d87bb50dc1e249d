package sensors

import (
	"math"
	"math/bits"

	"boxd/internal/box"
)

// A loose plug or a disturbed wire makes a reading leap up and down between two
// samples; water that leaps does not leap back. So it is turns that are
// counted, a far leap one way and a far one back, among the last twenty samples.
// A single spike is one turn, and the median takes it out. Common practice, no
// source.
const (
	jumpWindow    = 20
	jumpsDoubtful = 5
	jumpsBad      = 10
)

// jumps are the turns of one channel, the newest in the lowest bit.
type jumps struct {
	last, leap float64 // leap is 0 where the last step was none
	turns      uint32
}

// leap is the least that counts: so much, and such a part of the value.
type leap struct{ least, part float64 }

// take notes a value; near tells that it came soon after the last. Between far
// samples a pump's cycle makes honest leaps.
func (j *jumps) take(v float64, l *leap, near bool) {
	step, was := v-j.last, j.leap
	j.turns <<= 1
	j.leap = 0
	if near && math.Abs(step) > l.least && math.Abs(step) > l.part*max(v, j.last) {
		j.leap = step
		if step*was < 0 {
			j.turns |= 1
		}
	}
	j.last = v
}

func (j *jumps) count() int { return bits.OnesCount32(j.turns & (1<<jumpWindow - 1)) }

// leapOf is what counts as a leap, in the channel's column's unit. The gauges
// beside the injector and its two meters feel its strokes, and so does the EC
// close behind it: they have to leap further. Common practice, no source.
func leapOf(c box.Channel) leap {
	switch c {
	case box.SupplyPressure, box.FilterOutPressure, box.HeaderPressure:
		return leap{least: 40} // kPa
	case box.InjectorInPressure, box.InjectorOutPressure:
		return leap{least: 120}
	case box.MainFlow:
		return leap{least: 2, part: 0.5} // L/min
	case box.InjectorFlow, box.StockDraw:
		return leap{least: 40}
	case box.BoxEC:
		return leap{least: 4000} // µS/cm
	case box.EndEC:
		return leap{least: 500}
	case box.WaterTemp, box.BoxAirTemp, box.OutsideAirTemp:
		return leap{least: 5} // °C
	case box.UnknownChannel, box.NumChannels:
	}
	return leap{least: 1e9}
}
