package main

import (
	"bytes"
	"os"

	"github.com/rogpeppe/go-internal/testscript"

	"turnstone/device/sector"
	"turnstone/device/sim"
)

// recordedAs holds an image against what lies on a scenario's disc.
func recordedAs(ts *testscript.TestScript, neg bool, args []string) {
	want(ts, neg, len(args) == 2, "recorded FILE SCENARIO")
	s, err := sim.Load(ts.MkAbs(args[1]))
	ts.Check(err)
	d, err := sim.New(s)
	ts.Check(err)
	defer d.Close()
	b, err := os.ReadFile(ts.MkAbs(args[0]))
	ts.Check(err)
	disc := make([]byte, s.Sectors*sector.Size)
	ts.Check(d.ReadContent(0, disc))
	if !bytes.Equal(b, disc) {
		ts.Fatalf("%s is not what lies on the disc of %s", args[0], args[1])
	}
}
