package hwio

import (
	"bytes"
	"context"
	"errors"
	"math"
	"strconv"
	"strings"
	"time"

	"boxd/internal/box"
	"boxd/internal/sensors"
)

// What a probe that answers may say.
var (
	errPending = errors.New("still measuring")
	errRefused = errors.New("command refused")
	errNoData  = errors.New("nothing to tell")
	errText    = errors.New("not a number")
)

// maxReply is the longest answer read, in bytes.
const maxReply = 32

// ecText is an EC probe that takes a command in ASCII and answers, once it has
// measured, with a status byte and numbers in ASCII ended by a zero byte.
type ecText struct {
	bus     *i2cBus
	channel box.Channel
	is      sensors.ECText
	command []byte
	reply   [maxReply]byte
	asked   time.Time // when the reading under way was asked for; zero: not yet
}

// ecText puts a probe on its bus.
func (b *builder) ecText(w sensors.Wiring, d sensors.ECText) error {
	wire, line := b.i2cOn(w.Bus)
	line.put(&ecText{bus: wire, channel: w.Channel, is: d, command: []byte(d.Command)}, w.Every, w.Channel)
	return nil
}

const (
	textPoll = 50 * time.Millisecond
	// textPatience is what a probe may take beyond twice its time.
	textPatience = time.Second
)

func (e *ecText) step(ctx context.Context, dst []box.Sample) ([]box.Sample, time.Duration) {
	if e.asked.IsZero() {
		if err := e.bus.tx(ctx, e.is.Address, e.command, nil); err != nil {
			return append(dst, busFault(e.channel, err)), 0
		}
		e.asked = time.Now()
		return dst, max(e.is.Wait, time.Millisecond)
	}
	err := e.bus.tx(ctx, e.is.Address, nil, e.reply[:])
	var v float64
	if err == nil {
		v, err = e.parse()
	}
	if errors.Is(err, errPending) && time.Since(e.asked) < 2*e.is.Wait+textPatience {
		return dst, textPoll
	}
	e.asked = time.Time{}
	if err != nil {
		return append(dst, textFault(e.channel, err)), 0
	}
	return append(dst, box.Sample{Channel: e.channel, Value: v * e.is.Scale}), 0
}

// parse reads the answer.
func (e *ecText) parse() (float64, error) {
	switch c := e.is.Codes; e.reply[0] {
	case c.Done:
	case c.Pending:
		return 0, errPending
	case c.Failed:
		return 0, errRefused
	case c.NoData:
		return 0, errNoData
	default:
		return 0, errText
	}
	text, _, _ := bytes.Cut(e.reply[1:], []byte{0})
	fields := strings.Split(string(text), ",")
	if e.is.Field >= len(fields) {
		return 0, errText
	}
	v, err := strconv.ParseFloat(strings.TrimSpace(fields[e.is.Field]), 64)
	if err != nil || math.IsNaN(v) || math.IsInf(v, 0) {
		return 0, errText
	}
	return v, nil
}

// textFault is what an error means for a channel.
func textFault(c box.Channel, err error) box.Sample {
	switch {
	case errors.Is(err, errPending):
		return box.Failed(c, 0, "the probe never ends its measurement: check wait in the configuration, take its power off and on")
	case errors.Is(err, errRefused):
		return box.Failed(c, 0, "the probe refuses the command: check command in the configuration against its data sheet")
	case errors.Is(err, errNoData):
		return box.Failed(c, 0, "the probe has no measurement to tell: check that the electrode is plugged in")
	case errors.Is(err, errText):
		return box.Failed(c, 0, "the probe's answer is no number: check field and the status bytes in the configuration, the wires' length and the ground")
	}
	return busFault(c, err)
}
