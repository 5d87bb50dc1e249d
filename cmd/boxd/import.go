package main

import (
	"bufio"
	"fmt"
	"io"
	"os"

	"boxd/config"
	"boxd/internal/record"
)

func runImport(a *app, args []string) error {
	f := a.flags("import")
	mapPath := f.String("map", "", "mapping `FILE` (YAML): which column is what, its unit, the format of time")
	in := f.String("in", "", "the logger's `FILE` (CSV)")
	out := f.String("out", "", "the trace `FILE` to write")
	if err := a.parse(f, args, 0); err != nil {
		return err
	}
	if *mapPath == "" || *in == "" || *out == "" {
		return a.usage(f, "-map, -in and -out are needed")
	}
	m, err := config.LoadMapping(*mapPath)
	if err != nil {
		return err
	}
	csv, err := os.Open(*in)
	if err != nil {
		return fmt.Errorf("cannot import: %w; check the path", err)
	}
	defer csv.Close()
	rows := 0
	err = writeFile(*out, func(w io.Writer) error {
		b := bufio.NewWriter(w)
		if rows, err = record.Import(m, *in, csv, b); err != nil {
			return err
		}
		return b.Flush()
	})
	if err != nil {
		return err
	}
	_, err = fmt.Fprintf(a.out, "%s: %d rows, %d channels; try boxd replay -config FILE -trace %s\n", *out, rows, len(m.Channels), *out)
	return err
}
