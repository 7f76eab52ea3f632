package main

import (
	"bytes"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"turnstone/imager"
	"turnstone/mapfile"
)

// The demo's proof sees a wrong byte wherever it lies: in a good sector, and in
// one that is missing.
func TestDemoProofSeesEveryByte(t *testing.T) {
	t.Chdir(t.TempDir())
	must := func(err error) {
		if err != nil {
			t.Fatal(err)
		}
	}
	must(makeDemoDisc(demoDiscName))
	must(os.WriteFile(demoScenarioName, demoScenario, 0o600))
	var said bytes.Buffer
	if code := run([]string{"read", demoCaseName, "--drive", demoScenarioName + ":A"}, streams{strings.NewReader(""), &said, &said}); code != exitMissing {
		t.Fatalf("read = %d; want %d; it said %s", code, exitMissing, said.String())
	}
	if err := proveDemo(demoCaseName, demoDiscName); err != nil {
		t.Fatalf("proveDemo() = %v; want nil", err)
	}
	m, err := imager.Load(demoCaseName)
	must(err)
	image := filepath.Join(demoCaseName, "image.iso")
	f, err := os.OpenFile(image, os.O_RDWR, 0)
	must(err)
	defer f.Close()
	for _, s := range []mapfile.State{mapfile.Good, mapfile.Bad} {
		set := m.In(s)
		b := set.Bounds()
		for _, at := range []int64{b.First.Offset(), b.End.Offset() - 1} {
			var was [1]byte
			_, err := f.ReadAt(was[:], at)
			must(err)
			_, err = f.WriteAt([]byte{was[0] ^ 1}, at)
			must(err)
			if err := proveDemo(demoCaseName, demoDiscName); err == nil || !strings.Contains(err.Error(), "other bytes") {
				t.Errorf("proveDemo(byte %d changed, state %d) = %v; want it seen", at, s, err)
			}
			_, err = f.WriteAt(was[:], at)
			must(err)
		}
	}
	if _, err := sameFile(image, demoDiscName); err == nil {
		t.Errorf("sameFile(an image that lacks sectors, the disc) = nil; want that they differ")
	}
	if sum, err := sameFile(demoDiscName, demoDiscName); err != nil || len(sum) != 32 {
		t.Errorf("sameFile(the disc, the disc) = %x, %v; want a sum, nil", sum, err)
	}
}

func TestTyped(t *testing.T) {
	for _, c := range []struct {
		args []string
		want string
	}{
		{[]string{"case"}, "round case"},
		{[]string{"case", "polish fine, 90 s", "--grams", "15.6"}, `round case "polish fine, 90 s" --grams 15.6`},
	} {
		if got := typed("round", c.args); got != c.want {
			t.Errorf("typed(%q) = %s; want %s", c.args, got, c.want)
		}
	}
}
