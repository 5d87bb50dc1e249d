package hwio

import (
	"context"
	"errors"
	"io/fs"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"syscall"
	"time"

	"periph.io/x/conn/v3/i2c"

	"boxd/internal/box"
	"boxd/internal/sensors"
)

// Finds is what a board shows when nothing is known of it. It holds only what was
// seen.
type Finds struct {
	Buses        []FoundBus         `json:"i2c"`
	Chips        []FoundChip        `json:"gpio"`
	Thermometers []FoundThermometer `json:"one_wire"`
	Ports        []FoundPort        `json:"serial"`
	Zones        []FoundZone        `json:"thermal"`
}

// FoundBus is an I2C bus and who answers on it.
type FoundBus struct {
	Path    string        `json:"path"`
	Trouble string        `json:"trouble,omitempty"` // why it wasn't looked at, or not to its end
	Answers []FoundDevice `json:"answers"`
}

// FoundDevice is an address at which something answers, or which the kernel has.
type FoundDevice struct {
	Address   uint16       `json:"address"`
	Driver    string       `json:"kernel_driver,omitempty"` // that has it: it isn't asked then
	Converter bool         `json:"ads1115"`                 // it answers as an ADS1115 does
	Busy      bool         `json:"busy,omitempty"`          // another program has it convert
	Inputs    []FoundInput `json:"inputs,omitempty"`        // where volts were asked for
}

// FoundInput is an input of a converter against ground.
type FoundInput struct {
	Input   int      `json:"input"`
	Volts   *float64 `json:"volts,omitempty"` // nil: Trouble says why
	Trouble string   `json:"trouble,omitempty"`
}

// FoundChip is a GPIO chip.
type FoundChip struct {
	Path    string      `json:"path"`
	Label   string      `json:"label,omitempty"`
	Trouble string      `json:"trouble,omitempty"`
	Lines   []FoundLine `json:"lines"`
}

// FoundLine is a line as the kernel describes it; it isn't requested.
type FoundLine struct {
	Offset uint32 `json:"offset"`
	Name   string `json:"name,omitempty"`
	Used   bool   `json:"used"`
	By     string `json:"by,omitempty"`
	Output bool   `json:"output"` // somebody made it one
}

// FoundThermometer is a device on a 1-Wire bus.
type FoundThermometer struct {
	ID      string   `json:"id"`
	Celsius *float64 `json:"celsius,omitempty"` // nil: Trouble says why
	Trouble string   `json:"trouble,omitempty"`
}

// FoundPort is a serial port with a driver. It isn't opened: that can reset what
// is at its end.
type FoundPort struct {
	Path    string `json:"path"`
	ByID    string `json:"by_id,omitempty"` // the name that stays when it is plugged elsewhere
	Driver  string `json:"driver"`
	Trouble string `json:"trouble,omitempty"`
}

// FoundZone is a place at which the board takes its own temperature.
type FoundZone struct {
	Name    string   `json:"name"`
	Celsius *float64 `json:"celsius,omitempty"`
}

// look is how a board is looked at; a test puts its own in.
type look struct {
	root  string
	i2c   func(path string) (i2c.BusCloser, error)
	chip  func(path string) (FoundChip, error)
	may   func(path string) bool // be read and written
	volts bool
}

// Probe looks at the board whose /dev and /sys are below root. Addresses on I2C are
// read, one byte each; only where an ADS1115 can be, at 0x48 to 0x4b, the number of
// its configuration register is written before. With volts the inputs of the
// converters so found are converted too, which needs their configuration written
// and disturbs another program that reads them. Nothing else is written, no line
// requested and no port opened.
func Probe(ctx context.Context, root string, volts bool) Finds {
	return look{root: root, i2c: openI2C, chip: describeChip, may: mayUse, volts: volts}.all(ctx)
}

func (l look) all(ctx context.Context) Finds {
	f := Finds{Buses: []FoundBus{}, Chips: []FoundChip{}, Thermometers: []FoundThermometer{}, Ports: []FoundPort{}, Zones: []FoundZone{}}
	for _, path := range l.glob("/dev/i2c-[0-9]*") {
		f.Buses = append(f.Buses, l.bus(ctx, path))
	}
	for _, path := range l.glob("/dev/gpiochip*") {
		if info, err := os.Lstat(l.at(path)); err != nil || info.Mode()&fs.ModeSymlink != 0 {
			continue // a second name
		}
		f.Chips = append(f.Chips, l.gpio(path))
	}
	for _, path := range l.glob("/sys/bus/w1/devices/[0-9a-f][0-9a-f]-*") {
		f.Thermometers = append(f.Thermometers, l.oneWire(path))
	}
	f.Ports = append(f.Ports, l.ports()...)
	for _, path := range l.glob("/sys/class/thermal/thermal_zone*") {
		z := FoundZone{Name: box.Plain(line1(l.at(path), "type"))}
		if milli, err := strconv.Atoi(line1(l.at(path), "temp")); err == nil {
			c := float64(milli) / 1000
			z.Celsius = &c
		}
		f.Zones = append(f.Zones, z)
	}
	return f
}

// at is where a path of the board is found.
func (l look) at(path string) string { return filepath.Join(l.root, path) }

// glob finds paths of the board, as the board has them.
func (l look) glob(pattern string) []string {
	found, _ := filepath.Glob(l.at(pattern)) // the patterns are sound
	for i, path := range found {
		found[i] = "/" + strings.TrimPrefix(strings.TrimPrefix(path, filepath.Clean(l.root)), "/")
	}
	return found
}

// probed are the addresses that are looked at. Left out are 0x30 to 0x37 and 0x50
// to 0x5f, where memories and their write protection sit: a read moves a memory's
// address on. Common practice, no source.
func probed(address uint16) bool {
	return address >= 0x08 && address <= 0x77 && (address < 0x30 || address > 0x37) && (address < 0x50 || address > 0x5f)
}

func (l look) bus(ctx context.Context, path string) FoundBus {
	f := FoundBus{Path: path, Answers: []FoundDevice{}}
	bus, err := l.i2c(l.at(path))
	if err != nil {
		f.Trouble = cannotOpen(err, "i2c", "it is no I2C bus that does plain transfers")
		return f
	}
	defer bus.Close() // nothing is lost
	asked, answered := 0, 0
	for address := uint16(0x08); address <= 0x77; address++ {
		if ctx.Err() != nil {
			f.Trouble = "broken off"
			return f
		}
		if driver := l.kernelDriver(path, address); driver != "" {
			f.Answers = append(f.Answers, FoundDevice{Address: address, Driver: driver})
			continue
		}
		if !probed(address) {
			continue
		}
		var b [1]byte
		began := time.Now()
		err := transfer(bus, address, nil, b[:])
		if asked++; err == nil {
			answered++
			f.Answers = append(f.Answers, l.device(ctx, path, bus, address))
			continue
		}
		if class := classed(err); errors.Is(class, errHangs) || time.Since(began) >= hangs {
			f.Trouble = "the bus hangs: look for a wire short to ground or an instrument that holds it; take the power off and on"
			return f
		} else if errors.Is(class, errNoBus) {
			f.Trouble = "the bus went away: plug its adapter in again"
			return f
		}
	}
	if answered == asked {
		f.Answers, f.Trouble = []FoundDevice{}, "every address answers, so the data wire is held low: look for a short to ground"
	}
	return f
}

// transfer makes a transfer, once more if a signal broke it off.
func transfer(bus i2c.Bus, address uint16, w, r []byte) error {
	err := bus.Tx(address, w, r)
	if errors.Is(err, syscall.EINTR) {
		err = bus.Tx(address, w, r)
	}
	return err
}

// kernelDriver is the driver of the kernel that has an address, "" for none.
func (l look) kernelDriver(bus string, address uint16) string {
	n := strings.TrimPrefix(filepath.Base(bus), "i2c-")
	device := n + "-00" + strconv.FormatUint(uint64(address)|0x100, 16)[1:]
	return l.driver(filepath.Join("/sys/bus/i2c/devices", device, "driver"))
}

// driver is the driver that a link of the kernel names, "" for none.
func (l look) driver(link string) string {
	to, err := os.Readlink(l.at(link))
	if err != nil {
		return ""
	}
	return box.Plain(filepath.Base(to))
}

// device tells what answers at an address.
func (l look) device(ctx context.Context, path string, bus i2c.Bus, address uint16) FoundDevice {
	f := FoundDevice{Address: address}
	if address < 0x48 || address > 0x4b {
		return f
	}
	// As the data sheet's bits stand after power-on and as boxd leaves them: single
	// shot, comparator off; bit 15 says that no conversion is under way.
	const bits, like = adsSingleShot | 0x1f, adsSingleShot | adsNoCompare
	idle := 0
	for range 2 {
		var r [2]byte
		if err := transfer(bus, address, []byte{adsConfig}, r[:]); err != nil {
			return f
		}
		config := uint16(r[0])<<8 | uint16(r[1])
		if config&bits != like {
			return f
		}
		if config&adsStart != 0 {
			idle++
		}
	}
	f.Converter, f.Busy = true, idle < 2
	if !f.Busy && l.volts {
		f.Inputs = l.inputs(ctx, path, address)
	}
	return f
}

// inputs converts a converter's four inputs, at its widest range.
func (l look) inputs(ctx context.Context, path string, address uint16) []FoundInput {
	wire := &i2cBus{path: l.at(path), open: l.i2c}
	defer wire.shut()
	a := &ads1115{bus: wire, addr: address}
	for i := range 4 {
		a.plans(conversionOf(i, sensors.NoInput, sensors.ADS1115Ranges()[0], 64))
	}
	for range 1000 { // bounded: each conversion is waited for some 55 ms at most
		_, wait := a.step(ctx, nil)
		if wait == 0 {
			break
		}
		select {
		case <-time.After(wait):
		case <-ctx.Done():
		}
	}
	found := make([]FoundInput, 4)
	for i := range found {
		found[i].Input = i
		if v := &a.plan[i]; v.err != nil {
			found[i].Trouble = faultText(adsFault(box.UnknownChannel, v))
		} else {
			found[i].Volts = &v.volts
		}
	}
	return found
}

func (l look) gpio(path string) FoundChip {
	f, err := l.chip(l.at(path))
	f.Path = path
	if err != nil {
		f.Trouble = cannotOpen(err, "gpio", "it is no GPIO chip that tells of its lines")
	}
	if f.Lines == nil {
		f.Lines = []FoundLine{}
	}
	return f
}

func (l look) oneWire(path string) FoundThermometer {
	f := FoundThermometer{ID: box.Plain(filepath.Base(path))}
	if !strings.HasPrefix(f.ID, "28-") {
		f.Trouble = "no DS18B20"
		return f
	}
	t := &thermometer{channel: box.UnknownChannel, file: filepath.Join(l.at(path), "w1_slave")}
	if s := t.read(); s.Fault != "" {
		f.Trouble = faultText(s)
	} else {
		f.Celsius = &s.Value
	}
	return f
}

// ports are the serial ports that have a driver; a line of the kernel's own list
// for which there is no circuit has the type 0.
func (l look) ports() (found []FoundPort) {
	ids := map[string]string{}
	for _, id := range l.glob("/dev/serial/by-id/*") {
		if to, err := os.Readlink(l.at(id)); err == nil {
			ids[filepath.Base(to)] = id
		}
	}
	for _, pattern := range []string{"/dev/ttyUSB*", "/dev/ttyACM*", "/dev/ttyAMA*", "/dev/ttyS[0-9]*"} {
		for _, path := range l.glob(pattern) {
			name := filepath.Base(path)
			class := filepath.Join("/sys/class/tty", name)
			driver := l.driver(filepath.Join(class, "device/driver"))
			if driver == "" || line1(l.at(class), "type") == "0" {
				continue
			}
			f := FoundPort{Path: path, ByID: ids[name], Driver: driver}
			if !l.may(l.at(path)) {
				f.Trouble = join("dialout")
			}
			found = append(found, f)
		}
	}
	return found
}

// faultText is a sample's fault with its raw value in it.
func faultText(s box.Sample) string {
	return strings.ReplaceAll(s.Fault, "%.4g", strconv.FormatFloat(s.Value, 'g', 4, 64))
}

func cannotOpen(err error, group, otherwise string) string {
	if errors.Is(err, fs.ErrPermission) || errors.Is(err, errNoRight) {
		return join(group)
	}
	return otherwise
}

// join says how a right is got.
func join(group string) string {
	return "not allowed: join the group " + group + " (sudo usermod -aG " + group + " NAME) and log in again"
}
