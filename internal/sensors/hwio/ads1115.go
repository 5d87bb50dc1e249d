package hwio

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"time"

	"boxd/internal/box"
	"boxd/internal/sensors"
)

// Registers and configuration bits of the ADS1115 (data sheet SBAS444, register
// map).
const (
	adsConversion = 0x00
	adsConfig     = 0x01

	adsStart      = 1 << 15 // OS, written: begin a conversion; read: none is under way
	adsMuxShift   = 12
	adsGainShift  = 9
	adsSingleShot = 1 << 8
	adsRateShift  = 5
	adsNoCompare  = 0x03 // COMP_QUE: the comparator off, ALERT/RDY at high impedance

	adsMost  = 0x7fff
	adsLeast = -0x8000
)

// What goes wrong with a converter that answers.
var (
	errNeverDone = errors.New("conversion never done")
	errForgot    = errors.New("settings lost")
	errBeyond    = errors.New("beyond the range")
)

// conversion is one input as the converter is told of it, and what came of it.
type conversion struct {
	config    uint16
	fullScale float64
	rate      int

	volts float64
	err   error
}

// conversionOf sets a conversion's bits.
func conversionOf(plus, minus int, fullScale float64, rate int) conversion {
	mux := map[[2]int]int{{0, 1}: 0, {0, 3}: 1, {1, 3}: 2, {2, 3}: 3, {0, -1}: 4, {1, -1}: 5, {2, -1}: 6, {3, -1}: 7}[[2]int{plus, minus}]
	gain := slices.Index(sensors.ADS1115Ranges(), fullScale)
	speed := slices.Index(sensors.ADS1115Rates(), rate)
	config := adsStart | mux<<adsMuxShift | max(0, gain)<<adsGainShift | adsSingleShot | max(0, speed)<<adsRateShift | adsNoCompare
	return conversion{config: uint16(config), fullScale: fullScale, rate: rate}
}

// took takes what the conversion register says. At either end of the codes the
// input may be anywhere beyond.
func (v *conversion) took(code int16) {
	v.volts, v.err = float64(code)*v.fullScale/-adsLeast, nil
	if code == adsMost || code == adsLeast {
		v.err = errBeyond
	}
}

// adsInput is a channel at a converter.
type adsInput struct {
	channel box.Channel
	signal  sensors.Signal
	of      int // its conversion
	supply  int // that of its transducer's supply
}

// ads1115 is one converter with its inputs. They are converted one after the
// other, each supply once; while it converts, others on the bus have their turn.
// A slow conversion averages hum of the mains out.
type ads1115 struct {
	bus  *i2cBus
	addr uint16
	plan []conversion
	in   []adsInput

	late   bool      // this reading begins half a cycle of the mains late
	placed bool      // it has been so placed
	now    int       // which of the plan is under way
	began  time.Time // when; zero: not yet
	free   time.Time // before then a conversion may be under way that nobody waits for; zero: not known
	write  [3]byte
	read   [2]byte
}

// ads1115 puts a channel on its converter, which is made at its first input.
func (b *builder) ads1115(w sensors.Wiring, d sensors.ADS1115) error {
	wire, line := b.i2cOn(w.Bus)
	var chip *ads1115
	for _, t := range line.tasks {
		if c, ok := t.instrument.(*ads1115); ok && c.addr == d.Address {
			chip, t.every = c, min(t.every, w.Every)
			t.channels = append(t.channels, w.Channel)
		}
	}
	if chip == nil {
		chip = &ads1115{bus: wire, addr: d.Address}
		line.put(chip, w.Every, w.Channel)
	}
	if d.Signal.Kind == sensors.UnknownSignal {
		return fmt.Errorf("cannot read %s: it isn't said what its signal means; give signal", w)
	}
	in := adsInput{channel: w.Channel, signal: d.Signal}
	if d.Signal.Kind == sensors.Ratiometric {
		in.supply = chip.plans(conversionOf(d.Signal.Supply, sensors.NoInput, d.FullScale, d.Rate))
	}
	in.of = chip.plans(conversionOf(d.Plus, d.Minus, d.FullScale, d.Rate))
	chip.in = append(chip.in, in)
	return nil
}

// plans puts a conversion into the plan unless it is there.
func (a *ads1115) plans(v conversion) int {
	i := slices.IndexFunc(a.plan, func(x conversion) bool { return x.config == v.config })
	if i < 0 {
		i = len(a.plan)
		a.plan = append(a.plan, v)
	}
	return i
}

// step begins a conversion or takes its result.
func (a *ads1115) step(ctx context.Context, dst []box.Sample) ([]box.Sample, time.Duration) {
	v := &a.plan[a.now]
	if a.began.IsZero() {
		if a.free.IsZero() {
			a.free = time.Now().Add(adsSlowest)
		}
		if !a.placed {
			a.placed, a.late = true, !a.late
			if a.late {
				return dst, halfCycle
			}
		}
		if d := time.Until(a.free); d > 0 {
			return dst, d
		}
		a.write = [3]byte{adsConfig, byte(v.config >> 8), byte(v.config)}
		if err := a.bus.tx(ctx, a.addr, a.write[:], nil); err != nil {
			return a.fail(dst, err), 0
		}
		a.began = time.Now()
		return dst, adsSpan(v.rate)
	}
	config, err := a.register(ctx, adsConfig)
	switch {
	case err != nil:
		return a.fail(dst, err), 0
	case config&^adsStart != v.config&^adsStart:
		return a.fail(dst, errForgot), 0
	case config&adsStart == 0 && time.Since(a.began) > adsPatience(v.rate):
		return a.fail(dst, errNeverDone), 0
	case config&adsStart == 0:
		return dst, max(adsSpan(v.rate)/20, adsPoll)
	}
	code, err := a.register(ctx, adsConversion)
	if err != nil {
		return a.fail(dst, err), 0
	}
	v.took(int16(code))
	a.now, a.began = a.now+1, time.Time{}
	if a.now < len(a.plan) {
		return a.step(ctx, dst)
	}
	return a.finish(dst), 0
}

const (
	// halfCycle is half a cycle of the mains, between 50 and 60 Hz. A beat of 100 ms
	// holds whole cycles of both, so that hum on a wire would read as a steady
	// error; with every second reading this much late it is noise about the truth.
	halfCycle = 9 * time.Millisecond

	adsPoll = 500 * time.Microsecond
	// adsSlowest is the longest conversion, one at 8 a second. A converter takes no
	// order while one is under way (data sheet, bit OS) and would give that one's
	// result for the next, so one left by another program is waited out.
	adsSlowest = 140 * time.Millisecond
)

// adsSpan is how long a conversion takes at most: its rate is good to 10 % (data
// sheet).
func adsSpan(rate int) time.Duration { return time.Second * 11 / 10 / time.Duration(rate) }

// adsPatience is how long one is waited for.
func adsPatience(rate int) time.Duration { return 2*adsSpan(rate) + 20*time.Millisecond }

func (a *ads1115) register(ctx context.Context, r byte) (uint16, error) {
	a.write[0] = r
	err := a.bus.tx(ctx, a.addr, a.write[:1], a.read[:])
	return uint16(a.read[0])<<8 | uint16(a.read[1]), err
}

// fail ends a reading at what went wrong; what was converted before counts.
func (a *ads1115) fail(dst []box.Sample, err error) []box.Sample {
	if !a.began.IsZero() {
		a.free = a.began.Add(adsPatience(a.plan[a.now].rate))
	}
	for i := a.now; i < len(a.plan); i++ {
		a.plan[i].err = err
	}
	return a.finish(dst)
}

func (a *ads1115) finish(dst []box.Sample) []box.Sample {
	a.now, a.began, a.placed = 0, time.Time{}, false
	for _, in := range a.in {
		dst = append(dst, a.sample(in))
	}
	return dst
}

// sample is what the voltages mean for a channel.
func (a *ads1115) sample(in adsInput) box.Sample {
	c, v, s := in.channel, &a.plan[in.of], in.signal
	if v.err != nil {
		return adsFault(c, v)
	}
	switch s.Kind {
	case sensors.Loop:
		return sensors.FromLoop(c, 1000*v.volts/s.Shunt, s.Span)
	case sensors.Ratiometric:
		supply := &a.plan[in.supply]
		if supply.err != nil {
			return adsFault(c, supply)
		}
		return sensors.FromRatiometric(c, v.volts*s.Divider, supply.volts*s.SupplyDivider, s.Span)
	case sensors.Voltage:
		return sensors.FromVoltage(c, v.volts*s.Divider, s.Volts, s.Span)
	case sensors.UnknownSignal:
	}
	panic("hwio: a signal of no kind")
}

// adsFault is what a conversion's error means for a channel.
func adsFault(c box.Channel, v *conversion) box.Sample {
	switch {
	case errors.Is(v.err, errBeyond):
		s := box.Failed(c, v.fullScale, "the input is at the end of the converter's range of ±%.4g V: look for a short to the supply, a lost ground, a shunt or range too small")
		s.Cause = box.OutOfSpecification
		return s
	case errors.Is(v.err, errForgot):
		return box.Failed(c, 0, "the converter lost its settings: look for dips of its supply, or another program that uses it")
	case errors.Is(v.err, errNeverDone):
		return box.Failed(c, 0, "the converter answers but never ends a conversion: take the power off and on, else replace it")
	}
	return busFault(c, v.err)
}
