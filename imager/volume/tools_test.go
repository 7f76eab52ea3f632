package volume

import (
	"bytes"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"turnstone/imager/volume/tree"
	vt "turnstone/imager/volume/volumetest"
)

// tool skips the test where a program is not installed. On the machine that judges
// changes it must be there.
func tool(t *testing.T, name string) {
	if _, err := exec.LookPath(name); err != nil {
		if os.Getenv("CI") == "true" {
			t.Fatalf("%s is not installed", name)
		}
		t.Skipf("%s is not installed", name)
	}
}

// sourceFolder is the sample tree as files.
func sourceFolder(t *testing.T) (string, map[string][]byte) {
	dir := t.TempDir()
	root := vt.Sample()
	if err := vt.Put(root, dir); err != nil {
		t.Fatal(err)
	}
	return dir, vt.Files(root)
}

// Discs that genisoimage and xorriso make: each file is found with its content, by
// name where the tree keeps names, and what is said of them with holes is true.
func TestToolsISO(t *testing.T) {
	for _, c := range []struct{ name, program, options string }{
		{"level 1", "genisoimage", "-iso-level 1"},
		{"level 3", "genisoimage", "-iso-level 3"},
		{"level 4", "genisoimage", "-iso-level 4"},
		{"rock ridge", "genisoimage", "-R"},
		{"joliet", "genisoimage", "-J -joliet-long"},
		{"bridge", "genisoimage", "-J -joliet-long -R -udf"},
		{"udf", "genisoimage", "-udf"},
		{"rock ridge and joliet", "xorriso", "-R -J -joliet-long"},
	} {
		t.Run(c.program+" "+c.name, func(t *testing.T) {
			tool(t, c.program)
			dir, want := sourceFolder(t)
			out := filepath.Join(t.TempDir(), "disc.iso")
			args := append(strings.Fields(c.options), "-o", out)
			if c.program == "genisoimage" {
				args = append(args, "-quiet")
				if c.name != "level 4" { // which refuses it
					args = append(args, "-input-charset", "utf-8")
				}
			} else {
				args = append([]string{"-report_about", "FAILURE", "-as", "mkisofs"}, args...)
			}
			if msg, err := exec.Command(c.program, append(args, dir)...).CombinedOutput(); err != nil {
				t.Fatalf("%s: %v: %s", c.program, err, msg)
			}
			data, err := os.ReadFile(out)
			if err != nil {
				t.Fatal(err)
			}
			v, err := Open(wholeImage(data), Options{})
			if err != nil {
				t.Fatal(err)
			}
			healthy(t, v)
			contents := map[string]bool{}
			got := map[string][]byte{}
			for e := range v.Files() {
				b, err := io.ReadAll(v.Content(e))
				if err != nil {
					t.Fatal(err)
				}
				got[e.Path()], contents[string(b)] = b, true
				if !e.Modified.Equal(vt.When) {
					t.Errorf("%q was modified %v; want %v", e.Path(), e.Modified, vt.When)
				}
			}
			keeps := !strings.HasPrefix(c.name, "level")
			for path, b := range want {
				if keeps && !bytes.Equal(got[path], b) || !contents[string(b)] {
					t.Errorf("%q (%d bytes) is not listed with its content", path, len(b))
				}
			}
			if len(got) != len(want) {
				t.Errorf("%d files; want %d", len(got), len(want))
			}
			sets := 30
			if underRace {
				sets = 3
			}
			punish(t, data[:len(data)/vt.Size*vt.Size], sets)
			lead(t, data[:len(data)/vt.Size*vt.Size])
		})
	}
}

// The empty volumes that mkudffs makes, of all kinds of media: a root and nothing
// in it, whatever the revision.
func TestToolsMkudffs(t *testing.T) {
	tool(t, "mkudffs")
	for _, c := range []struct{ media, revision, version string }{
		{"hd", "0x0102", "1.02"}, {"hd", "0x0201", "2.01"}, {"dvdrw", "0x0201", "2.01"}, {"cdrw", "0x0150", "1.50"},
		{"dvdr", "0x0150", "1.50"}, {"dvdr", "0x0201", "2.01"}, {"bdr", "0x0250", "2.50"},
	} {
		out := filepath.Join(t.TempDir(), "disc.udf")
		msg, err := exec.Command("mkudffs", "--media-type="+c.media, "--udfrev="+c.revision, "--blocksize=2048", "--label=A LABEL", "--new-file", out, "8192").CombinedOutput()
		if err != nil {
			t.Fatalf("mkudffs: %v: %s", err, msg)
		}
		data, err := os.ReadFile(out)
		if err != nil {
			t.Fatal(err)
		}
		v, err := Open(wholeImage(data), Options{})
		if err != nil {
			t.Fatal(err)
		}
		if v.Root == nil || v.Root.State != Whole || len(v.Systems) != 1 || v.Systems[0].Kind != tree.UDF || v.Systems[0].Label != "A LABEL" || v.Systems[0].Version != c.version {
			t.Errorf("%s %s: %+v, %v", c.media, c.revision, v.Systems, v.Problems)
			continue
		}
		n := 0
		for e := range v.Files() {
			n++
			t.Logf("%s: %q", c.media, e.Path())
		}
		if n > 0 {
			t.Errorf("%s %s: %d files; want none", c.media, c.revision, n)
		}
	}
}
