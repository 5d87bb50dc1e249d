package engine

import (
	"slices"

	"boxd/internal/say"
)

// DoseView is the dose of a run: what went past the box by each way to weigh it,
// what of it has left the emitters, and what stopping now would cost. A null
// number can't be known; Why says why. Standard uncertainties are k = 1.
type DoseView struct {
	Weighings []WeighingView `json:"weighings"` // stock drawn, EC rise, nominal ratio
	Pairs     []PairView     `json:"pairs"`
	Verdict   string         `json:"verdict"`
	Text      string         `json:"text"` // the verdict in words, and what can't be had
	Best      WeighingView   `json:"best"` // the mean of those that agree
	Why       string         `json:"why,omitempty"`
	Nutrients *GramsView     `json:"nutrients_g"` // past the box, by the best
	Due       *GramsView     `json:"due_g"`       // of this run, by its plan
	DuePct    *float64       `json:"pct_of_due"`
	Delivered DeliveredView  `json:"delivered"`
	PerPlant  *PerPlantView  `json:"per_plant"`
	StopNow   *StopView      `json:"stop_now"`

	Said DoseSaid `json:"-"`
}

// WeighingView is the dose by one way to weigh it.
type WeighingView struct {
	Method      string   `json:"method"`
	Known       bool     `json:"known"`
	Why         string   `json:"why,omitempty"`
	StockL      *float64 `json:"stock_l"`
	StockStdL   *float64 `json:"stock_std_l"`
	ProductG    *float64 `json:"product_g"`
	ProductStdG *float64 `json:"product_std_g"`
	Remark      string   `json:"remark,omitempty"`

	Said WeighingSaid `json:"-"`
}

// PairView compares two weighings, in litres of stock.
type PairView struct {
	A        string  `json:"a"`
	B        string  `json:"b"`
	DifferL  float64 `json:"differ_l"`
	AllowedL float64 `json:"allowed_l"` // twice the combined standard uncertainty
	Agree    bool    `json:"agree"`
}

// GramsView are masses of each nutrient, g. P2O5 and P are the same phosphorus
// written twice, and so are K2O and K.
type GramsView struct {
	N    float64 `json:"n"`
	P2O5 float64 `json:"p2o5"`
	K2O  float64 `json:"k2o"`
	P    float64 `json:"p"`
	K    float64 `json:"k"`
	Ca   float64 `json:"ca"`
	Mg   float64 `json:"mg"`
	S    float64 `json:"s"`
}

// DeliveredView is what has left the emitters so far. Its uncertainty is that of
// the best weighing and of the way through the lines together.
type DeliveredView struct {
	Known       bool       `json:"known"`
	Why         string     `json:"why,omitempty"`
	Pct         *float64   `json:"pct"` // of what went past the box
	PctStd      *float64   `json:"pct_std"`
	ProductG    *float64   `json:"product_g"`
	ProductStdG *float64   `json:"product_std_g"`
	Nutrients   *GramsView `json:"nutrients_g"`

	Said DeliveredSaid `json:"-"`
}

// PerPlantView is what each plant along the rows has had so far.
type PerPlantView struct {
	Of       string        `json:"of"`                // plant, or emitter where the plants are not counted
	Emitters float64       `json:"emitters_per_each"` // emitters a plant has
	Rows     []RowDoseView `json:"rows"`
}

// RowDoseView is a row, or rows next to each other that are alike, as their mean.
type RowDoseView struct {
	From   int             `json:"from_row"`
	To     int             `json:"to_row"`
	Points []PlantDoseView `json:"points"` // from the header outwards
}

// PlantDoseView is a plant, or an emitter, along a row.
type PlantDoseView struct {
	AtM  float64  `json:"at_m"` // from the tee
	Pct  float64  `json:"pct"`  // of its due: of what was injected, its share of the flow
	N    *float64 `json:"n_mg"`
	P2O5 *float64 `json:"p2o5_mg"`
	K2O  *float64 `json:"k2o_mg"`
}

// StopView is what stopping the water now would cost or, in the summary of a run
// that was stopped early, what it cost.
type StopView struct {
	Undelivered *float64   `json:"undelivered_pct"` // of what was injected; null: can't be known
	Text        string     `json:"text"`
	Parts       []PartView `json:"parts"`

	Said StopSaid `json:"-"`
}

// PartView is a part of a row, or of rows next to each other that are alike,
// that would lack more than a tenth of its due.
type PartView struct {
	FromRow    int     `json:"from_row"`
	ToRow      int     `json:"to_row"`
	FromPct    float64 `json:"from_pct"` // of the row, from the header
	ToPct      float64 `json:"to_pct"`
	MissingPct float64 `json:"missing_pct"` // of its due, on average
}

type (
	// DoseSaid are a dose's own sentences.
	DoseSaid struct{ Text, Why say.Text }
	// WeighingSaid are a weighing's sentences.
	WeighingSaid struct{ Why, Remark say.Text }
	// DeliveredSaid says why what was delivered can't be known.
	DeliveredSaid struct{ Why say.Text }
	// StopSaid says what stopping costs.
	StopSaid struct{ Text say.Text }
)

// In is the dose as it is said to a reader; nil stays nil. The dose itself stays
// as it is.
func (d *DoseView) In(voice say.Voice) *DoseView {
	if d == nil {
		return nil
	}
	out := *d
	out.Weighings = slices.Clone(d.Weighings)
	if d.StopNow != nil {
		stop := *d.StopNow
		out.StopNow = &stop
	}
	out.put(voice)
	return &out
}

func (d *DoseView) put(v say.Voice) {
	reword(&d.Text, v, d.Said.Text)
	reword(&d.Why, v, d.Said.Why)
	reword(&d.Delivered.Why, v, d.Delivered.Said.Why)
	d.Best.put(v)
	for i := range d.Weighings {
		d.Weighings[i].put(v)
	}
	if d.StopNow != nil {
		reword(&d.StopNow.Text, v, d.StopNow.Said.Text)
	}
}

func (w *WeighingView) put(v say.Voice) {
	reword(&w.Why, v, w.Said.Why)
	reword(&w.Remark, v, w.Said.Remark)
}
