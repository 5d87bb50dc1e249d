// Command image writes the initramfs of the kernel test: the kernel modules it
// is asked for with all they need, in the order to load them, and files.
//
//	image -o FILE -modules DIR,DIR -load NAME,NAME SOURCE=PLACE ...
//
// It needs no cpio, busybox, kmod or depmod. The image is not compressed: unpacking
// costs the emulated machine more than reading.
package main

import (
	"bufio"
	"errors"
	"flag"
	"fmt"
	"io"
	"os"
	"path"
	"strings"
)

func main() {
	out := flag.String("o", "initrd", "write to `FILE`")
	dirs := flag.String("modules", "", "`DIRS` with kernel modules, with commas between")
	load := flag.String("load", "", "`NAMES` of modules to load, with commas between")
	flag.Parse()
	if err := build(*out, strings.Split(*dirs, ","), strings.Split(*load, ","), flag.Args()); err != nil {
		fmt.Fprintln(os.Stderr, "image:", err)
		os.Exit(1)
	}
}

func build(out string, dirs, load, files []string) (err error) {
	order, err := loadOrder(dirs, load)
	if err != nil {
		return err
	}
	f, err := os.Create(out)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, f.Close()) }()
	a := archive{w: bufio.NewWriter(f), made: map[string]bool{}}
	for _, d := range []string{"proc", "sys", "dev", "tmp", "root"} {
		a.dir(d)
	}
	a.entry("dev/console", 0o020600, nil, console)
	var list strings.Builder
	for _, m := range order {
		fmt.Fprintln(&list, path.Base(m))
		files = append(files, m+"=/modules/"+path.Base(m))
	}
	a.put("modules/order", []byte(list.String()))
	for _, x := range files {
		from, to, ok := strings.Cut(x, "=")
		if !ok {
			return fmt.Errorf("%q is not SOURCE=PLACE", x)
		}
		text, err := os.ReadFile(from)
		if err != nil {
			return err
		}
		a.put(strings.TrimPrefix(to, "/"), text)
	}
	a.entry("TRAILER!!!", 0, nil, 0)
	return errors.Join(a.err, a.w.Flush())
}

// archive writes the cpio form "newc" (the kernel's
// Documentation/driver-api/early-userspace/buffer-format.rst).
type archive struct {
	w    *bufio.Writer
	made map[string]bool // directories
	n    int
	err  error
}

// console is the device 5:1.
const console = 5<<8 | 1

func (a *archive) entry(name string, mode uint32, text []byte, device int) {
	a.n++
	_, err := fmt.Fprintf(a.w, "070701%08x%08x%08x%08x%08x%08x%08x%08x%08x%08x%08x%08x%08x%s\x00",
		a.n, mode, 0, 0, 1, 0, len(text), 0, 0, device>>8, device&0xff, len(name)+1, 0, name)
	a.err = errors.Join(a.err, err, a.pad(110+len(name)+1))
	_, err = a.w.Write(text)
	a.err = errors.Join(a.err, err, a.pad(len(text)))
}

func (a *archive) pad(written int) error {
	_, err := io.WriteString(a.w, "\x00\x00\x00"[:(4-written%4)%4])
	return err
}

func (a *archive) dir(p string) {
	if p == "." || a.made[p] {
		return
	}
	a.dir(path.Dir(p))
	a.made[p] = true
	a.entry(p, 0o040755, nil, 0)
}

func (a *archive) put(p string, text []byte) {
	a.dir(path.Dir(p))
	a.entry(p, 0o100755, text, 0)
}
