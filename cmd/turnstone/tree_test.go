package main

import (
	"fmt"
	"io/fs"
	"path/filepath"
	"strings"
	"testing"
)

// treeOf describes a folder and all in it, a line for each: name, mode, size, time
// and SHA-256. Two that are equal say that nothing was changed.
func treeOf(t testing.TB, dir string) string {
	t.Helper()
	text, err := describe(dir)
	if err != nil {
		t.Fatal(err)
	}
	return text
}

func describe(dir string) (string, error) {
	var b strings.Builder
	err := filepath.WalkDir(dir, func(path string, d fs.DirEntry, err error) error {
		if err != nil {
			return err
		}
		info, err := d.Info()
		if err != nil {
			return err
		}
		fmt.Fprintf(&b, "%s %v %d %v", path, info.Mode(), info.Size(), info.ModTime().UnixNano())
		if info.Mode().IsRegular() {
			sum, err := hashOf(path)
			if err != nil {
				return err
			}
			fmt.Fprintf(&b, " %x", sum)
		}
		b.WriteByte('\n')
		return nil
	})
	return b.String(), err
}
