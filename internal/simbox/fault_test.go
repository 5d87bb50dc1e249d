package simbox

import (
	"testing"
	"time"

	"boxd/internal/box"
)

func TestChannelFaults(t *testing.T) {
	p := running(t)
	before, _ := sampleOf(p, box.HeaderPressure)
	p.Drop(box.HeaderPressure)
	if _, ok := sampleOf(p, box.HeaderPressure); ok {
		t.Error("a dropped channel spoke")
	}
	p.Stick(box.HeaderPressure)
	p.Do(box.MainClosed)
	run(p, time.Minute)
	if s, ok := sampleOf(p, box.HeaderPressure); !ok || s.Value != before.Value {
		t.Errorf("stuck header sends %v, %v; before %v", s, ok, before)
	}
	p.Fail(box.HeaderPressure, "no answer on the bus")
	if s, ok := sampleOf(p, box.HeaderPressure); !ok || s.Fault == "" || s.Cause != box.Failure {
		t.Errorf("failing header sends %+v", s)
	}
	p.Force(box.HeaderPressure, -400)
	if s, _ := sampleOf(p, box.HeaderPressure); s.Value != -400 {
		t.Errorf("forced header sends %v", s.Value)
	}
	p.Heal(box.HeaderPressure)
	if s, ok := sampleOf(p, box.HeaderPressure); !ok || s.Value > 20 {
		t.Errorf("healed header sends %+v, %v; the valve is closed", s, ok)
	}
}

// TestBurst: more water, less of it for the plants; the regulator gives way
// when the supply cannot follow.
func TestBurst(t *testing.T) {
	p := running(t)
	q0, v0 := p.Truth().Main, p.Truth().Passed
	p.Burst(200)
	run(p, 2*time.Minute)
	tr := p.Truth()
	near(t, "flow with a burst, L/h", float64(tr.Main-q0), 200, 2)
	near(t, "water for the plants, L", float64(tr.Passed-v0), float64(q0.Over(2*time.Minute)), 0.1)
	p.Burst(3000)
	run(p, 2*time.Minute)
	tr = p.Truth()
	if tr.Header > 60 || tr.Header < 5 {
		t.Errorf("header %v with most of the water gone", tr.Header)
	}
	near(t, "wanted and given, L/h", p.wants(p.header), p.capacity(p.header), 3)
}

// TestSag: below the line's pressure no water comes and the box shows more
// pressure than the supply; it slowly falls until water comes again.
func TestSag(t *testing.T) {
	p := running(t)
	p.Sag(20)
	run(p, 10*time.Second)
	tr := p.Truth()
	if tr.Main != 0 || tr.Header <= tr.Supply || tr.FilterOut != tr.Header {
		t.Errorf("sagged: %+v", tr)
	}
	run(p, 10*time.Minute)
	if tr = p.Truth(); tr.Header >= 20 || tr.Main <= 0 {
		t.Errorf("long sagged: header %v, flow %v", tr.Header, tr.Main)
	}
	p.Recover()
	run(p, 3*time.Minute)
	near(t, "header after recovery, kPa", float64(p.Truth().Header), 68.95, 0.1)
}

// TestFreeze: standing water stops at 0 °C until its heat of freezing is
// spent, and running water does not freeze.
func TestFreeze(t *testing.T) {
	p := running(t)
	p.SetOutside(-10)
	run(p, 4*time.Hour)
	if w := p.Truth().Water; w < 15 {
		t.Errorf("running water at %v", w)
	}
	p.Do(box.MainClosed)
	run(p, 12*time.Hour)
	tr := p.Truth()
	if tr.Water != 0 || tr.Frozen <= 0 || tr.Frozen >= 1 {
		t.Errorf("standing water at %v, frozen %v", tr.Water, tr.Frozen)
	}
	near(t, "box air, °C", float64(tr.BoxAir), -10, 0.1)
	run(p, 40*time.Hour)
	if tr = p.Truth(); tr.Water >= -1 || tr.Frozen != 1 {
		t.Errorf("after two days %v, frozen %v", tr.Water, tr.Frozen)
	}
	p.SetOutside(20)
	run(p, 10*time.Hour)
	if tr = p.Truth(); tr.Water != 0 || tr.Frozen >= 1 {
		t.Errorf("thawing: %v, frozen %v", tr.Water, tr.Frozen)
	}
}

func TestBoxFaults(t *testing.T) {
	p := running(t)
	clean := p.Truth()
	p.SetFilter(10)
	p.Step(time.Second)
	loaded := p.Truth()
	near(t, "loaded filter, times", float64((loaded.Supply-loaded.FilterOut)/(clean.Supply-clean.FilterOut)), 10, 0.1)
	p.Do(box.FilterCleaned)
	p.Step(time.Second)
	near(t, "cleaned filter, kPa", float64(p.Truth().Supply-p.Truth().FilterOut), 12, 0.2)
	p.Creep(20)
	run(p, 3*time.Minute)
	near(t, "crept header, kPa", float64(p.Truth().Header), 88.95, 0.2)
	p.Creep(0)
	p.DriftEnd(10)
	run(p, 10*time.Minute)
	s, _ := sampleOf(p, box.EndEC)
	near(t, "drifted probe, µS/cm", s.Value, 420+10*13-30, 1)
	near(t, "true far end, µS/cm", float64(p.Truth().EndEC), 420, 0.1)
}

// TestStockEnds: with the tank empty or the hose out the branch still runs and
// draws nothing.
func TestStockEnds(t *testing.T) {
	p := running(t)
	p.Do(box.InjectorOn)
	p.Turn(p.throttled(), 0)
	p.SetStock(0.1)
	run(p, 5*time.Minute)
	tr := p.Truth()
	if tr.Branch <= 0 || tr.Stock != 0 {
		t.Errorf("empty tank: branch %v, stock %v", tr.Branch, tr.Stock)
	}
	near(t, "drawn, L", float64(tr.Drawn), 0.1, 1e-9)
	p.SetStock(10)
	p.Step(time.Second)
	if p.Truth().Stock <= 0 {
		t.Error("nothing drawn from a filled tank")
	}
	p.Do(box.StockOut)
	p.Step(time.Second)
	if p.Truth().Stock != 0 {
		t.Error("stock drawn with the hose out")
	}
	p.Turn(1, 0)
	p.Step(time.Second)
	if p.Truth().Branch != 0 {
		t.Error("injector runs with the loop valve open")
	}
}
