//go:build linux

package wiring

import (
	"errors"
	"fmt"
	"math"
	"strconv"
	"time"

	"boxd/internal/box"
)

// Field is a whole box's wiring, as testdata/box.yaml describes it from the
// other end.
type Field struct {
	Bus          *Bus
	First        *ADS1115 // 0x48
	Second       *ADS1115 // 0x49
	BoxEC        *TextProbe
	EndEC        *Slave
	Thermometers *Thermometers // water, air in the box
	Lines        *Lines
	Meters       map[box.Channel]*Meter
	Serial       Adapter // wired to the slave
}

// What testdata/box.yaml says of it.
const (
	FirstAddress, SecondAddress = 0x48, 0x49
	BoxECAddress                = 0x64
	EndECUnit                   = 7
	EndECRegister               = 0
	ChipSupply                  = 5.0   // V, of the converters and the transducers
	Shunt                       = 100.0 // ohm
	PerLitre                    = 120.0 // pulses of the water meters
	PerLitreStock               = 5000.0
	Button                      = "BUTTON"
	FastMeter                   = "FLOW_FAST" // no meter of the box
	textTakes                   = 600 * time.Millisecond
	baud                        = 9600
)

// gauge is a pressure transducer on an input of a converter.
type gauge struct {
	second bool // converter
	input  int
	loop   bool // 4–20 mA; else 10 to 90 % of the supply
	full   float64
}

func gauges() map[box.Channel]gauge {
	return map[box.Channel]gauge{
		box.SupplyPressure:      {input: 0, loop: true, full: 600},
		box.FilterOutPressure:   {input: 1, loop: true, full: 600},
		box.InjectorInPressure:  {input: 2, full: 600},
		box.InjectorOutPressure: {second: true, input: 0, full: 600},
		box.HeaderPressure:      {second: true, input: 1, loop: true, full: 160},
	}
}

const supplyInput = 3 // of both converters: the transducers' supply

func meters() map[box.Channel]string {
	return map[box.Channel]string{box.MainFlow: "FLOW_MAIN", box.InjectorFlow: "FLOW_BRANCH", box.StockDraw: "FLOW_STOCK"}
}

// NewField wires the machine. It can be done once: a kernel keeps its chips.
func NewField() (*Field, error) {
	f := &Field{First: NewADS1115(ChipSupply), Second: NewADS1115(ChipSupply), BoxEC: &TextProbe{Takes: textTakes},
		Thermometers: NewThermometers(2), Meters: map[box.Channel]*Meter{}}
	var err, e error
	f.Bus, e = NewBus()
	err = errors.Join(err, e)
	f.EndEC, e = NewSlave("/dev/ttyS1", baud, EndECUnit)
	err = errors.Join(err, e)
	f.Lines, e = NewLines("bench", "FLOW_MAIN", "FLOW_BRANCH", "FLOW_STOCK", Button, FastMeter)
	err = errors.Join(err, e)
	f.Serial, e = NewAdapter("BENCH-A")
	err = errors.Join(err, e)
	if err = errors.Join(err, e); err != nil {
		return nil, err
	}
	f.Bus.Attach(FirstAddress, f.First)
	f.Bus.Attach(SecondAddress, f.Second)
	f.Bus.Attach(BoxECAddress, f.BoxEC)
	f.First.Set(supplyInput, ChipSupply)
	f.Second.Set(supplyInput, ChipSupply)
	for c, line := range meters() {
		if f.Meters[c], err = NewMeter(f.Lines, line); err != nil {
			return nil, err
		}
	}
	return f, nil
}

// Show lets a channel's instrument feel v, in the unit of its trace column.
func (f *Field) Show(c box.Channel, v float64) error {
	switch c {
	case box.SupplyPressure, box.FilterOutPressure, box.InjectorInPressure, box.InjectorOutPressure, box.HeaderPressure:
		g := gauges()[c]
		f.Volts(c, g.volts(v))
	case box.MainFlow, box.InjectorFlow:
		f.Meters[c].Rate(v / 60 * PerLitre)
	case box.StockDraw:
		f.Meters[c].Rate(v / 60 * PerLitreStock)
	case box.BoxEC:
		f.BoxEC.Set(strconv.FormatFloat(v, 'f', 1, 64))
	case box.EndEC:
		f.EndEC.Set(EndECRegister, uint16(math.Round(v)))
	case box.WaterTemp:
		return f.Thermometers.Set(0, v)
	case box.BoxAirTemp:
		return f.Thermometers.Set(1, v)
	case box.UnknownChannel, box.OutsideAirTemp, box.NumChannels:
		return fmt.Errorf("no instrument of this wiring measures %v", c)
	}
	return nil
}

// Volts puts a voltage on the input of a gauge, whatever it means.
func (f *Field) Volts(c box.Channel, volts float64) {
	g := gauges()[c]
	chip := f.First
	if g.second {
		chip = f.Second
	}
	chip.Set(g.input, volts)
}

// MilliAmps is the voltage that a current makes at the shunt.
func MilliAmps(ma float64) float64 { return ma / 1000 * Shunt }

func (g gauge) volts(kPa float64) float64 {
	if g.loop {
		return MilliAmps(4 + 16*kPa/g.full)
	}
	return ChipSupply * (0.1 + 0.8*kPa/g.full)
}
