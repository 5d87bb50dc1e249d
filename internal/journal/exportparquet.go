package journal

import (
	"context"
	"encoding/json"
	"io"
	"slices"
	"strings"
	"time"
)

// parquet writes the table with one optional double for each channel, the columns
// in the order of their names. The file's metadata tell the unit of every column
// and what the run was.
func (x *story) parquet(ctx context.Context, w io.Writer) error {
	meta, err := x.metadata()
	if err != nil {
		return err
	}
	at, when, event := &parquetColumn{name: "time_s", kind: parquetDouble, required: true}, &parquetColumn{name: "time", kind: parquetTime}, &parquetColumn{name: "event", kind: parquetText}
	f := &parquetFile{w: w, columns: []*parquetColumn{at, when, event}}
	of := map[*parquetColumn]int{}
	for _, c := range channels() {
		column := &parquetColumn{name: c.Info().Column, kind: parquetDouble}
		f.columns, of[column] = append(f.columns, column), int(c)
	}
	slices.SortFunc(f.columns, func(a, b *parquetColumn) int { return strings.Compare(a.name, b.name) })
	f.begin()
	for row, err := range x.frames(ctx) {
		if err != nil {
			return err
		}
		values, has := row.values()
		at.double(row.T)
		when.micros(row.Wall)
		event.text(deedText(row.Deeds))
		for _, column := range f.columns {
			if c, ok := of[column]; ok && has[c] {
				column.double(values[c])
			} else if ok {
				column.null()
			}
		}
		f.rowDone()
	}
	return f.end(meta, "boxd version "+x.Run.Software)
}

// metadata are key and value pairs in a fixed order.
func (x *story) metadata() ([][2]string, error) {
	type channel struct {
		Tag  string `json:"tag"`
		Name string `json:"name"`
		Unit string `json:"unit"`
	}
	units, about := map[string]string{"time_s": "s"}, map[string]channel{}
	for _, c := range channels() {
		i := c.Info()
		units[i.Column], about[i.Column] = i.Unit, channel{i.Tag, i.Name, i.Unit}
	}
	unitText, err := json.Marshal(units) // sorts the keys
	if err != nil {
		return nil, err
	}
	channelText, err := json.Marshal(about)
	if err != nil {
		return nil, err
	}
	meta := [][2]string{
		{"units", string(unitText)}, {"channels", string(channelText)},
		{"notes", "pressures are gauge; EC is at 25 °C; time_s counts from the first input of the run; an empty value is a missing sample"},
		{"run", x.Run.ID}, {"box", x.Run.Box}, {"zone", x.Run.Zone},
		{"software", x.Run.Software}, {"config_sha256", x.Run.ConfigHash}, {"config", x.Run.Config},
	}
	if !x.Run.Start.IsZero() {
		meta = append(meta, [2]string{"start", x.Run.Start.Format(time.RFC3339Nano)})
	}
	if s := x.Summary(); s != nil {
		text, err := json.Marshal(s)
		if err != nil {
			return nil, err
		}
		meta = append(meta, [2]string{"summary", string(text)})
	}
	return meta, nil
}
