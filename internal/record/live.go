package record

import (
	"bytes"
	"fmt"
	"io"

	"boxd/internal/box"
)

// LiveReader reads rows as a logger sends them, for as long as it does. Each row is
// a line and stands alone: what is wrong with one is told, and the next is read. Their
// times need not rise, since the logger may have been started anew; where it then
// sends a header again, the rows that follow go by that.
type LiveReader struct {
	tr      *TraceReader
	samples []box.Sample // of a row that is wrong: the reader's own have no faults, ever
}

// Faults of a logger's samples.
const (
	noNumber = "the logger sent no number: check its wiring and its power"
	noRow    = "the logger sent a row that can't be read: check its line"
)

// NewLiveReader reads the header of the rows called name and reports every fault of
// it at once (*Faults).
func NewLiveReader(name string, r io.Reader) (*LiveReader, error) {
	tr, err := NewTraceReader(name, r)
	if err != nil {
		return nil, err
	}
	tr.t.alone = true
	return &LiveReader{tr: tr, samples: make([]box.Sample, 0, box.NumChannels)}, nil
}

// Next is the samples of the next row; the slice is reused by the following call.
// With *Faults the row is wrong at those places: its samples are there all the same,
// with a fault where there is no value, and reading goes on. Any other error ends it;
// io.EOF is the end.
func (l *LiveReader) Next() ([]box.Sample, error) {
	tr := l.tr
	tr.faults, tr.begun = Faults{}, false
	tr.row.Samples = nil
	err := tr.read()
	if len(tr.faults.List) == 0 {
		return tr.row.Samples, err
	}
	if l.headed() {
		return nil, l.begin()
	}
	return l.spoilt(), tr.faults.err()
}

// headed says whether the row is a header.
func (l *LiveReader) headed() bool {
	for _, c := range l.tr.t.cells {
		if string(bytes.TrimSpace(l.tr.t.text(c))) == timeColumn {
			return true
		}
	}
	return false
}

// begin takes the row as the header of those to come.
func (l *LiveReader) begin() error {
	tr := l.tr
	tr.faults = Faults{}
	tr.header()
	if err := tr.faults.err(); err != nil {
		return fmt.Errorf("the logger began anew with a wrong header: %s", err.Error())
	}
	return nil
}

// spoilt is the samples of a wrong row, with a fault for each channel whose cell
// holds something and no number, or for all where the row has not these cells.
func (l *LiveReader) spoilt() []box.Sample {
	tr := l.tr
	got := append(l.samples[:0], tr.row.Samples...)
	for _, v := range tr.values {
		switch {
		case tr.row.Samples == nil:
			got = append(got, box.Failed(v.channel, 0, noRow))
		case !has(got, v.channel) && len(trimBlank(tr.t.text(tr.t.cells[v.index]))) > 0:
			got = append(got, box.Failed(v.channel, 0, noNumber))
		}
	}
	return got
}

func has(samples []box.Sample, c box.Channel) bool {
	for i := range samples {
		if samples[i].Channel == c {
			return true
		}
	}
	return false
}
