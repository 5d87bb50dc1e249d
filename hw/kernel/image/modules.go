package main

import (
	"bytes"
	"debug/elf"
	"fmt"
	"io/fs"
	"path/filepath"
	"slices"
	"strings"
)

// loadOrder is the files of the named modules and all they depend on, each
// after what it needs. Debian's package holds no modules.dep, which is made when
// it is installed; the modules themselves say what they need.
func loadOrder(dirs, names []string) ([]string, error) {
	files := map[string]string{}
	for _, d := range dirs {
		err := filepath.WalkDir(d, func(p string, _ fs.DirEntry, err error) error {
			if name, ok := strings.CutSuffix(filepath.Base(p), ".ko"); ok {
				files[plain(name)] = p
			}
			return err
		})
		if err != nil {
			return nil, err
		}
	}
	var order []string
	for _, n := range names {
		var err error
		if order, err = with(order, files, plain(n)); err != nil {
			return nil, err
		}
	}
	return order, nil
}

func plain(name string) string { return strings.ReplaceAll(name, "-", "_") }

func with(order []string, files map[string]string, name string) ([]string, error) {
	file, ok := files[name]
	if !ok {
		return nil, fmt.Errorf("there is no module %s", name)
	}
	if slices.Contains(order, file) {
		return order, nil
	}
	needs, err := dependencies(file)
	if err != nil {
		return nil, err
	}
	for _, n := range needs {
		if order, err = with(order, files, plain(n)); err != nil {
			return nil, fmt.Errorf("%s needs more: %w", name, err)
		}
	}
	return append(order, file), nil
}

// dependencies are what a module says of itself in its section .modinfo.
func dependencies(file string) ([]string, error) {
	f, err := elf.Open(file)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	s := f.Section(".modinfo")
	if s == nil {
		return nil, fmt.Errorf("%s is no kernel module", file)
	}
	info, err := s.Data()
	if err != nil {
		return nil, err
	}
	for line := range bytes.SplitSeq(info, []byte{0}) {
		if list, ok := strings.CutPrefix(string(line), "depends="); ok && list != "" {
			return strings.Split(list, ","), nil
		}
	}
	return nil, nil
}
