// Package devnodetest helps tests of what opens nodes: it makes a sysfs of invented drives,
// and has signals come upon a thread.
package devnodetest

import (
	"os"
	"path/filepath"
	"strings"
	"testing"
)

// Drive is a drive of a made sysfs: its node's name, the folder of its device below
// devices, and files by their path in the node's folder or, with a slash in front,
// below devices.
type Drive struct {
	Node, Path string
	Files      map[string]string
}

// Sysfs makes a sysfs with these drives, and returns its root.
func Sysfs(t *testing.T, drives ...Drive) (root string) {
	t.Helper()
	root = t.TempDir()
	class := filepath.Join(root, "class/block")
	if err := os.MkdirAll(class, 0o700); err != nil {
		t.Fatal(err)
	}
	for _, d := range drives {
		block := filepath.Join(root, "devices", d.Path, "block", d.Node)
		for name, text := range d.Files {
			path := filepath.Join(block, name)
			if strings.HasPrefix(name, "/") {
				path = filepath.Join(root, "devices", name)
			}
			if err := os.MkdirAll(filepath.Dir(path), 0o700); err != nil {
				t.Fatal(err)
			}
			if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
				t.Fatal(err)
			}
		}
		if err := os.Symlink(block, filepath.Join(class, d.Node)); err != nil {
			t.Fatal(err)
		}
	}
	return root
}
