package hydraulics

// These tests hold every result against EPANET 2.3.5 solutions of thirteen
// blocks (testdata/README.md says where they come from). The reference was
// computed by other code from the same inputs; nothing here reads our own
// numbers back. Tolerances are those the reference suggests for the same
// friction formula, or tighter.

import (
	"compress/gzip"
	"encoding/json"
	"io"
	"math"
	"os"
	"slices"
	"testing"

	"boxd/internal/units"
)

type refCase struct {
	Scenario   refScenario   `json:"scenario"`
	Hydraulics refHydraulics `json:"hydraulics"`
}

type refPipe struct {
	Length    float64 `json:"length_m"`
	Bore      float64 `json:"inside_diameter_mm"`
	Roughness float64 `json:"roughness_mm"`
	Slope     float64 `json:"slope_pct"`
}

type refScenario struct {
	Water     float64 `json:"water_temperature_c"`
	Viscosity float64 `json:"kinematic_viscosity_m2_s"`
	Inlet     struct {
		Mode      string  `json:"mode"`
		Pressure  float64 `json:"pressure_kpa"`
		Supply    float64 `json:"supply_pressure_kpa"`
		Setpoint  float64 `json:"prv_setpoint_kpa"`
		Length    float64 `json:"box_pipe_length_m"`
		Bore      float64 `json:"box_pipe_inside_diameter_mm"`
		MinorLoss float64 `json:"box_minor_loss_k"`
	} `json:"inlet"`
	Lead   refPipe `json:"supply_line"`
	Header struct {
		refPipe
		Feed       string  `json:"feed"`
		Beds       int     `json:"n_beds"`
		Tapes      int     `json:"tapes_per_bed"`
		FirstTee   float64 `json:"first_tee_m"`
		BedSpacing float64 `json:"bed_spacing_m"`
		TapeGap    float64 `json:"tape_gap_m"`
	} `json:"header"`
	Lateral struct {
		refPipe
		Lengths   []float64 `json:"lengths_m"`
		LeadIn    float64   `json:"lead_in_m"`
		Spacing   float64   `json:"emitter_spacing_m"`
		Connector float64   `json:"connector_minor_loss_k"`
	} `json:"lateral"`
	Emitter struct {
		Flow     float64 `json:"nominal_flow_l_per_h"`
		At       float64 `json:"nominal_pressure_kpa"`
		Exponent float64 `json:"exponent"`
	} `json:"emitter"`
	Leaks []struct {
		Lateral int     `json:"lateral"`
		At      float64 `json:"at_m"`
		Flow    float64 `json:"flow_l_per_h_at_nominal_pressure"`
	} `json:"leaks"`
	Laterals []struct {
		Branch   int       `json:"header_branch"`
		Tee      float64   `json:"tee_distance_from_header_inlet_m"`
		Emitters int       `json:"n_emitters"`
		Length   float64   `json:"length_to_last_emitter_m"`
		Factors  []float64 `json:"emitter_flow_factors"`
	} `json:"laterals"`
}

type refEmitter struct {
	X        float64 `json:"distance_from_tee_m"`
	Pressure float64 `json:"pressure_kpa"`
	Flow     float64 `json:"flow_per_emitter_l_h"`
}

type refLateral struct {
	Index   int        `json:"lateral_index"`
	Tee     float64    `json:"tee_pressure_kpa"`
	Inflow  float64    `json:"inflow_l_h"`
	First   refEmitter `json:"first_emitter"`
	Last    refEmitter `json:"last_emitter"`
	Drop    float64    `json:"pressure_drop_tee_to_last_emitter_kpa"`
	Travel  float64    `json:"plug_flow_travel_time_to_last_emitter_s"`
	Laminar float64    `json:"laminar_part_of_travel_time_s"`
}

type refFormula struct {
	Box        float64    `json:"box_outlet_pressure_kpa"`
	Inlet      float64    `json:"header_inlet_pressure_kpa"`
	Total      float64    `json:"total_flow_l_h"`
	Leak       float64    `json:"leak_flow_l_h"`
	Min        float64    `json:"min_pressure_in_laterals_kpa"`
	Max        float64    `json:"max_pressure_in_laterals_kpa"`
	First      refLateral `json:"first_lateral"`
	Last       refLateral `json:"last_lateral"`
	Near       refLateral `json:"near_lateral"`
	Far        refLateral `json:"far_lateral"`
	Uniformity struct {
		Emitters int     `json:"emitters"`
		Least    float64 `json:"qmin_over_qavg"`
		Qvar     float64 `json:"qvar_pct"`
		CV       float64 `json:"flow_cv"`
		DU       float64 `json:"lower_quarter_du_pct"`
		UCC      float64 `json:"christiansen_cu_pct"`
	} `json:"uniformity"`
	Travel struct {
		Near    float64   `json:"near_end_plug_flow"`
		NearAge float64   `json:"near_end_water_age"`
		Far     float64   `json:"far_end_plug_flow"`
		FarAge  float64   `json:"far_end_water_age"`
		FarTee  float64   `json:"far_lateral_tee_plug_flow"`
		Ends    []float64 `json:"all_lateral_ends_plug_flow"`
	} `json:"travel_time_s"`
	Inflows []float64 `json:"all_laterals_inflow_l_h"`
}

type refHydraulics struct {
	Formulas struct {
		DW    refFormula `json:"darcy_weisbach"`
		HW140 refFormula `json:"hazen_williams_c140"`
		HW150 refFormula `json:"hazen_williams_c150"`
	} `json:"formulas"`
	Volumes struct {
		Lead     float64   `json:"supply_line_l"`
		Header   float64   `json:"header_l"`
		Laterals float64   `json:"laterals_total_l"`
		Each     []float64 `json:"each_lateral_l"`
	} `json:"volumes"`
	Near  int `json:"near_lateral_index"`
	Far   int `json:"far_lateral_index"`
	Curve []struct {
		Box    float64 `json:"box_outlet_pressure_kpa"`
		Total  float64 `json:"total_flow_l_h"`
		Last   float64 `json:"last_lateral_last_emitter_pressure_kpa"`
		Travel float64 `json:"far_end_plug_flow_travel_s"`
	} `json:"block_curve_darcy_weisbach"`
}

// unpacked is a file of testdata.
func unpacked(t testing.TB, name string) io.Reader {
	t.Helper()
	f, err := os.Open("testdata/" + name)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = f.Close() })
	z, err := gzip.NewReader(f)
	if err != nil {
		t.Fatal(err)
	}
	return z
}

// references reads the reference set, sorted by name.
func references(t testing.TB) map[string]refCase {
	t.Helper()
	var out map[string]refCase
	if err := json.NewDecoder(unpacked(t, "epanet.json.gz")).Decode(&out); err != nil {
		t.Fatal(err)
	}
	if len(out) != 13 {
		t.Fatalf("%d reference blocks, want 13", len(out))
	}
	return out
}

// zone turns a reference scenario into a Zone.
func (s refScenario) zone(name string) Zone {
	z := Zone{
		Name: name, Water: units.Celsius(s.Water), Inlet: units.KPa(s.Inlet.Pressure),
		Lead: s.Lead.pipe(),
		Header: Header{
			Feed: FeedEnd, Beds: s.Header.Beds, BedSpacing: units.Metre(s.Header.BedSpacing),
			FirstTee: units.Metre(s.Header.FirstTee), TapesPerBed: s.Header.Tapes, TapeGap: units.Metre(s.Header.TapeGap),
			Bore: units.MM(s.Header.Bore), Roughness: units.MM(s.Header.Roughness), Slope: units.Percent(s.Header.Slope),
		},
		Laterals: Laterals{
			Lengths: []units.Metre{units.Metre(s.Lateral.Length)}, LeadIn: units.Metre(s.Lateral.LeadIn),
			EmitterSpacing: units.Metre(s.Lateral.Spacing), Bore: units.MM(s.Lateral.Bore),
			Roughness: units.MM(s.Lateral.Roughness), Slope: units.Percent(s.Lateral.Slope), ConnectorLoss: s.Lateral.Connector,
		},
		Emitters: Emitters{Flow: units.LPerH(s.Emitter.Flow), At: units.KPa(s.Emitter.At), Exponent: s.Emitter.Exponent},
	}
	if s.Header.Feed == "centre" {
		z.Header.Feed = FeedCentre
	}
	if len(s.Lateral.Lengths) > 0 {
		z.Laterals.Lengths = nil
		for _, l := range s.Lateral.Lengths {
			z.Laterals.Lengths = append(z.Laterals.Lengths, units.Metre(l))
		}
	}
	for _, k := range s.Leaks {
		z.Leaks = append(z.Leaks, Leak{Lateral: k.Lateral - 1, At: units.Metre(k.At), Flow: units.LPerH(k.Flow)})
	}
	if s.Inlet.Mode == "regulator" {
		z.Inlet = units.KPa(s.Inlet.Setpoint)
		z.Regulator = &Regulator{
			Supply: units.KPa(s.Inlet.Supply), Setpoint: units.KPa(s.Inlet.Setpoint),
			PipeBore: units.MM(s.Inlet.Bore), PipeLen: units.Metre(s.Inlet.Length),
			MinorLoss: s.Inlet.MinorLoss, Roughness: 0.0015,
		}
	}
	z.Factors = s.factors()
	return z
}

func (p refPipe) pipe() Pipe {
	return Pipe{Length: units.Metre(p.Length), Bore: units.MM(p.Bore), Roughness: units.MM(p.Roughness), Slope: units.Percent(p.Slope)}
}

func (s refScenario) factors() [][]float64 {
	var out [][]float64
	any := false
	for _, l := range s.Laterals {
		row := l.Factors
		if row == nil {
			row = slices.Repeat([]float64{1}, l.Emitters)
		} else {
			any = true
		}
		out = append(out, row)
	}
	if !any {
		return nil
	}
	return out
}

// off is the difference from want in per cent.
func off(got, want float64) float64 { return 100 * (got - want) / want }

// worst keeps the largest difference seen of each quantity.
type worst map[string]float64

// near fails the test where got is more than pct per cent from want.
func (w worst) near(t *testing.T, what string, got, want, pct float64) {
	t.Helper()
	d := off(got, want)
	if want == 0 {
		d = 100 * got
	}
	if !(math.Abs(d) <= pct) {
		t.Errorf("%s = %.7g, EPANET %.7g: %+.4f %%, want within %g %%", what, got, want, d, pct)
	}
	if math.Abs(d) > math.Abs(w[what]) {
		w[what] = d
	}
}

func (w worst) log(t *testing.T) {
	t.Helper()
	names := make([]string, 0, len(w))
	for k := range w {
		names = append(names, k)
	}
	slices.Sort(names)
	for _, k := range names {
		t.Logf("worst %-32s %+.5f %%", k, w[k])
	}
}

func solved(t *testing.T, z Zone, box float64) *Solution {
	t.Helper()
	n, err := NewNetwork(z)
	if err != nil {
		t.Fatal(err)
	}
	sol, err := n.Solve(units.KPa(box))
	if err != nil {
		t.Fatal(err)
	}
	return sol
}

func TestGeometryAsReference(t *testing.T) {
	w := worst{}
	for name, c := range references(t) {
		n, err := NewNetwork(c.Scenario.zone(name))
		if err != nil {
			t.Fatal(err)
		}
		if len(n.s.rows) != len(c.Scenario.Laterals) {
			t.Fatalf("%s: %d laterals, want %d", name, len(n.s.rows), len(c.Scenario.Laterals))
		}
		for i, l := range c.Scenario.Laterals {
			r := n.s.rows[i]
			if got := r.emitters.to - r.emitters.from; got != l.Emitters {
				t.Errorf("%s lateral %d: %d emitters, want %d", name, i, got, l.Emitters)
			}
			_, _, x := n.Place(r.emitters.to - 1)
			w.near(t, name+" tee", r.tee, l.Tee, 1e-6)
			w.near(t, name+" length", float64(x), l.Length, 1e-6)
		}
		w.near(t, "viscosity", Viscosity(units.Celsius(c.Scenario.Water))*1e6, c.Scenario.Viscosity*1e6, 0.001)
	}
}

func TestDarcyWeisbachAsEPANET(t *testing.T) {
	w := worst{}
	for name, c := range references(t) {
		t.Run(name, func(t *testing.T) {
			f := c.Hydraulics.Formulas.DW
			sol := solved(t, c.Scenario.zone(name), f.Box)
			compare(t, w, c.Scenario.zone(name), sol, f, 0.005)
			compareUniformity(t, w, sol, f)
			compareTravel(t, w, sol, c.Hydraulics)
		})
	}
	w.log(t)
}

// compare checks flows and pressures to pct per cent.
func compare(t *testing.T, w worst, z Zone, sol *Solution, f refFormula, pct float64) {
	t.Helper()
	w.near(t, "total flow", float64(sol.TotalFlow), f.Total, pct)
	w.near(t, "leak flow", float64(sol.LeakFlow), f.Leak, pct)
	w.near(t, "header inlet pressure", float64(sol.HeaderInlet), f.Inlet, pct)
	w.near(t, "last emitter pressure", float64(sol.LastEmitter), f.Last.Last.Pressure, pct)
	if whole(f.First) { // else the reference's highest node is a lump further on
		w.near(t, "first emitter pressure", float64(sol.FirstEmitter), f.First.First.Pressure, pct)
		w.near(t, "max emitter pressure", float64(sol.MaxEmitter), f.Max, pct)
	}
	if f.Leak == 0 { // the reference's least pressure counts leaks' nodes too
		w.near(t, "min emitter pressure", float64(sol.MinEmitter), f.Min, pct)
	}
	for i, want := range f.Inflows {
		w.near(t, "lateral inflow", float64(sol.Rows[i].Inflow), want, pct)
	}
	for _, l := range []refLateral{f.First, f.Last, f.Near, f.Far} {
		r := sol.Rows[l.Index-1]
		last := r.First + r.Emitters - 1
		w.near(t, "tee pressure", float64(r.Tee), l.Tee, pct)
		w.near(t, "lateral head loss", float64(r.Tee-sol.Pressure[last]), l.Drop, 0.3)
		p, q := at(z, sol, l.Index-1, l.First.X)
		w.near(t, "first node pressure", p, l.First.Pressure, pct)
		w.near(t, "first node flow", q, l.First.Flow, pct)
		w.near(t, "last emitter flow", float64(sol.Flow[last]), l.Last.Flow, pct)
	}
}

// whole reports whether the reference has a node for each emitter of the
// lateral, not lumps.
func whole(l refLateral) bool { return l.First.X < 0.35 }

// at gives pressure and flow between emitters of lateral i, x metres from the
// tee, all of whose emitters are alike and evenly spaced.
func at(z Zone, sol *Solution, i int, x float64) (p, q float64) {
	r := sol.Rows[i]
	k := max(0, (x-float64(z.Laterals.LeadIn))/float64(z.Laterals.EmitterSpacing))
	e := r.First + min(int(k), r.Emitters-2)
	f := k - float64(e-r.First)
	mix := func(a, b float64) float64 { return a + f*(b-a) }
	return mix(float64(sol.Pressure[e]), float64(sol.Pressure[e+1])), mix(float64(sol.Flow[e]), float64(sol.Flow[e+1]))
}

func compareUniformity(t *testing.T, w worst, sol *Solution, f refFormula) {
	t.Helper()
	u := f.Uniformity
	if len(sol.Flow) != u.Emitters {
		t.Fatalf("%d emitters, want %d", len(sol.Flow), u.Emitters)
	}
	w.near(t, "lower-quarter DU", LowerQuarterDU(sol.Flow).Percent(), u.DU, 0.01)
	w.near(t, "Christiansen uniformity", ChristiansenUniformity(sol.Flow).Percent(), u.UCC, 0.01)
	w.near(t, "least over mean flow", EmissionUniformity(0, 1, slices.Min(sol.Flow), sol.MeanFlow()).Percent(), 100*u.Least, 0.01)
	if whole(f.First) {
		w.near(t, "flow variation (points)", 100+FlowVariation(sol.Flow).Percent(), 100+u.Qvar, 0.01)
	}
	// The reference divides by n, the sample deviation by n−1. It lumps
	// emitters of large blocks, which narrows a small scatter a little.
	n := float64(u.Emitters)
	w.near(t, "flow CV (points)", 100+100*float64(VariationCoefficient(sol.Flow))*math.Sqrt((n-1)/n), 100+100*u.CV, 0.01)
}

func compareTravel(t *testing.T, w worst, sol *Solution, h refHydraulics) {
	t.Helper()
	f := h.Formulas.DW.Travel
	seconds := func(v units.Litre) float64 {
		d, ok := sol.Travel(v)
		if !ok {
			t.Fatal("no travel time")
		}
		return d.Seconds()
	}
	if sol.Near != h.Near-1 || sol.Far != h.Far-1 {
		t.Errorf("near, far = %d, %d, want %d, %d", sol.Near, sol.Far, h.Near-1, h.Far-1)
	}
	w.near(t, "travel near end", seconds(sol.NearVolume), f.Near, 0.02)
	w.near(t, "travel far end", seconds(sol.FarVolume), f.Far, 0.02)
	w.near(t, "travel far end (water age)", seconds(sol.FlushVolume), f.FarAge, 0.02)
	w.near(t, "travel far tee", seconds(sol.Rows[sol.Far].TeeVolume), f.FarTee, 0.02)
	for i, want := range f.Ends {
		w.near(t, "travel of any end", seconds(sol.Rows[i].EndVolume), want, 0.02)
	}
}

func TestHazenWilliamsAsEPANET(t *testing.T) {
	w := worst{}
	for name, c := range references(t) {
		t.Run(name, func(t *testing.T) {
			z := c.Scenario.zone(name)
			z.Formula = HazenWilliams140
			f := c.Hydraulics.Formulas.HW140
			compare(t, w, z, solved(t, z, f.Box), f, 0.01)
			z.Formula = HazenWilliams150
			f = c.Hydraulics.Formulas.HW150
			compare(t, w, z, solved(t, z, f.Box), f, 0.01)
		})
	}
	w.log(t)
}

// The block curve is solved with one network, warm, in both directions.
func TestBlockCurveAsEPANET(t *testing.T) {
	w := worst{}
	for name, c := range references(t) {
		t.Run(name, func(t *testing.T) {
			n, err := NewNetwork(c.Scenario.zone(name))
			if err != nil {
				t.Fatal(err)
			}
			curve := slices.Clone(c.Hydraulics.Curve)
			back := slices.Clone(curve)
			slices.Reverse(back)
			for _, p := range append(curve, back...) {
				sol, err := n.Solve(units.KPa(p.Box))
				if err != nil {
					t.Fatal(err)
				}
				travel, _ := sol.Travel(sol.Rows[c.Hydraulics.Far-1].EndVolume)
				w.near(t, "curve: total flow", float64(sol.TotalFlow), p.Total, 0.005)
				w.near(t, "curve: last emitter pressure", float64(sol.LastEmitter), p.Last, 0.005)
				w.near(t, "curve: travel far end", travel.Seconds(), p.Travel, 0.02)
			}
		})
	}
	w.log(t)
}

func TestModelAsEPANET(t *testing.T) {
	w := worst{}
	for name, c := range references(t) {
		t.Run(name, func(t *testing.T) {
			m, err := NewModel(c.Scenario.zone(name))
			if err != nil {
				t.Fatal(err)
			}
			f, v, s := c.Hydraulics.Formulas.DW, c.Hydraulics.Volumes, m.Summary()
			w.near(t, "model: total flow", float64(s.TotalFlow), f.Total, 0.005)
			w.near(t, "model: box outlet", float64(s.BoxOutlet), f.Box, 0.005)
			w.near(t, "model: lead volume", float64(s.LeadVolume), v.Lead, 0.001)
			w.near(t, "model: header volume", float64(s.HeaderVolume), v.Header, 0.001)
			w.near(t, "model: laterals volume", float64(s.LateralsVolume), v.Laterals, 0.001)
			w.near(t, "model: travel near", s.TravelNear.Seconds(), f.Travel.Near, 0.02)
			w.near(t, "model: travel far", s.TravelFar.Seconds(), f.Travel.Far, 0.02)
			w.near(t, "model: flush volume", float64(m.FlushVolume()), f.Travel.Far*f.Total/3600, 0.02)
			for _, p := range c.Hydraulics.Curve {
				w.near(t, "model: expected flow", float64(m.ExpectedFlow(units.KPa(p.Box))), p.Total, 0.02)
			}
		})
	}
	w.log(t)
}
