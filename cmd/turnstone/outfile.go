package main

import (
	"bytes"
	"errors"
	"io"
	"io/fs"
	"os"
	"path/filepath"

	"turnstone/imager"
)

// outFile is a file that is made anew.
type outFile struct {
	path  string
	write func(io.Writer) error
}

// replaceFile makes a file anew, whole or not at all.
func replaceFile(path string, write func(io.Writer) error) error {
	return writeAll([]outFile{{path, write}})
}

// writeAll makes files anew: all of them are written under other names and synced
// before the first gets its own, so that a disk that fills up leaves those that were
// there as they were.
func writeAll(files []outFile) (err error) {
	var parts []string // names of what is written and not named
	defer func() {
		for _, p := range parts {
			err = errors.Join(err, os.Remove(p))
		}
	}()
	var texts []bytes.Buffer
	for _, f := range files {
		var b bytes.Buffer
		if err := f.write(&b); err != nil {
			return err
		}
		texts = append(texts, b)
	}
	for i, f := range files {
		part, err := os.CreateTemp(filepath.Dir(f.path), ".part-*") // for its owner only
		if err != nil {
			return as(f.path, err)
		}
		parts = append(parts, part.Name())
		_, err = part.Write(texts[i].Bytes())
		if err == nil {
			err = part.Sync()
		}
		if err = errors.Join(err, part.Close()); err != nil {
			return as(f.path, err)
		}
	}
	for _, f := range files {
		if err := os.Rename(parts[0], f.path); err != nil {
			return err
		}
		parts = parts[1:]
	}
	return nil
}

// as tells an error of a file by the name that it was to get.
func as(path string, err error) error {
	if errors.Is(err, fs.ErrNotExist) {
		return imager.NoFolder(path)
	}
	if e, ok := errors.AsType[*fs.PathError](err); ok {
		return &fs.PathError{Op: "write", Path: path, Err: e.Err}
	}
	return err
}
