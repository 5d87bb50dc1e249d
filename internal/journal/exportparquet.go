package journal

import (
	"context"
	"encoding/json"
	"io"
	"time"

	"github.com/parquet-go/parquet-go"

	"boxd/internal/box"
)

// parquetRows is how many rows are handed on at once.
const parquetRows = 1024

// parquet writes the table with one optional double for each channel. The file's
// metadata tell the unit of every column and what the run was.
func (x *story) parquet(ctx context.Context, w io.Writer) error {
	schema := x.schema()
	options := []parquet.WriterOption{schema, parquet.Compression(&parquet.Zstd), parquet.CreatedBy("boxd", x.Run.Software, "")}
	meta, err := x.metadata()
	if err != nil {
		return err
	}
	for _, m := range meta {
		options = append(options, parquet.KeyValueMetadata(m[0], m[1]))
	}
	pw := parquet.NewGenericWriter[any](w, options...)
	rows := make([]parquet.Row, 0, parquetRows)
	layout := newParquetLayout(schema)
	for f, err := range x.frames(ctx) {
		if err != nil {
			return err
		}
		rows = append(rows, layout.row(f))
		if len(rows) == parquetRows {
			if _, err := pw.WriteRows(rows); err != nil {
				return err
			}
			rows = rows[:0]
		}
	}
	if _, err := pw.WriteRows(rows); err != nil {
		return err
	}
	return pw.Close()
}

func (x *story) schema() *parquet.Schema {
	group := parquet.Group{
		"time_s": parquet.Leaf(parquet.DoubleType),
		"time":   parquet.Optional(parquet.TimestampAdjusted(parquet.Microsecond, true)),
		"event":  parquet.Optional(parquet.String()),
	}
	for _, c := range channels() {
		group[c.Info().Column] = parquet.Optional(parquet.Leaf(parquet.DoubleType))
	}
	return parquet.NewSchema("trace", group)
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

// parquetLayout is where each column stands: a group's columns are sorted by name.
type parquetLayout struct {
	names   []string
	channel map[string]box.Channel
}

func newParquetLayout(schema *parquet.Schema) *parquetLayout {
	l := &parquetLayout{channel: map[string]box.Channel{}}
	for _, path := range schema.Columns() {
		l.names = append(l.names, path[0])
	}
	for _, c := range channels() {
		l.channel[c.Info().Column] = c
	}
	return l
}

func (l *parquetLayout) row(f *frame) parquet.Row {
	values, has := f.values()
	row := make(parquet.Row, len(l.names))
	for i, name := range l.names {
		v := parquet.NullValue().Level(0, 0, i)
		switch name {
		case "time_s":
			v = parquet.DoubleValue(f.T).Level(0, 0, i)
		case "time":
			if !f.Wall.IsZero() {
				v = parquet.Int64Value(f.Wall.UnixMicro()).Level(0, 1, i)
			}
		case "event":
			if len(f.Deeds) > 0 {
				v = parquet.ByteArrayValue([]byte(deedText(f.Deeds))).Level(0, 1, i)
			}
		default:
			if c := l.channel[name]; has[c] {
				v = parquet.DoubleValue(values[c]).Level(0, 1, i)
			}
		}
		row[i] = v
	}
	return row
}
