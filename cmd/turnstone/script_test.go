package main

import (
	"encoding/binary"
	"encoding/json"
	"errors"
	"fmt"
	"hash/crc32"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"sync"
	"testing"

	"github.com/rogpeppe/go-internal/testscript"
	"go.etcd.io/bbolt"

	"turnstone/device/faultydisc"
	"turnstone/device/sector"
	vt "turnstone/imager/volume/volumetest"
)

// The scripts in testdata hold the program to the contract of its command line, a
// block for each promise. Beside testscript's own commands there are:
//
//	exits CODE COMMAND…      runs a command, which has to end with this exit code
//	disc FILE SECTORS [SEED] makes the image of a disc, no two sectors of it alike
//	volume FILE [KIND]       makes the image of a disc of 200 sectors with files:
//	                         album, twins, whose names do harm, dvd or recorder,
//	                         which are larger
//	faulty VAR SECTORS       puts such a disc, of seed 0, into a faulty drive, and
//	                         its node into the variable VAR
//	fault VAR COMMAND…       a command of the faulty disc's: fail 100+4 ENODATA 2
//	unasked VAR              the disc was asked for nothing since fault VAR reset
//	keep DIR                 remembers all that is in a folder
//	unchanged DIR            and compares: bytes, times, modes
//	same FILE FILE           two files of the same bytes
//	recorded FILE SCENARIO   the image holds what lies on the scenario's disc
//	put FILE AT TEXT         writes over bytes of a file
//	snapshot CASE            its status.json is what status --json says
//	ages FILE                makes a map one of a later version of the program
//	jsonlines                each line of standard error is JSON, but for words
//	                         ahead of the first
//	mode FILE MODE           the permission bits, octal
//
// The condition [faulty] tells whether this machine can have faulty discs.
func TestScripts(t *testing.T) {
	testscript.Run(t, testscript.Params{
		Dir: "testdata",
		Cmds: map[string]func(ts *testscript.TestScript, neg bool, args []string){
			"exits": exits, "disc": makeDisc, "volume": makeVolume, "faulty": putFaulty, "fault": fault, "unasked": unasked,
			"keep": keep, "unchanged": unchanged, "same": same, "recorded": recordedAs, "put": put, "ages": ages,
			"jsonlines": jsonLinesOnly, "mode": mode, "snapshot": snapshot,
		},
		Setup: func(env *testscript.Env) error {
			env.Values[drives{}] = map[string]*faultydisc.Drive{}
			env.Values[kept{}] = map[string]string{}
			scenarios, err := filepath.Abs("../../testdata/scenarios")
			if err != nil {
				return err
			}
			env.Setenv("SCENARIOS", scenarios)
			return nil
		},
		Condition: func(name string) (bool, error) {
			if name != "faulty" {
				return false, fmt.Errorf("there is no condition %q", name)
			}
			err := canHaveFaults()
			if errors.Is(err, faultydisc.ErrUnavailable) && os.Getenv("CI") != "true" {
				return false, nil
			}
			return err == nil, err
		},
		RequireExplicitExec: true,
	})
}

// Keys of what a script has made.
type (
	drives struct{} // by variable
	kept   struct{} // folders, as text
)

var canHaveFaults = sync.OnceValue(func() error {
	d, err := faultydisc.Start(faultydisc.Options{Sectors: 1})
	if err != nil {
		return err
	}
	return d.Close()
})

// want ends a script that calls a command wrongly.
func want(ts *testscript.TestScript, neg, ok bool, usage string) {
	if neg || !ok {
		ts.Fatalf("usage: %s", usage)
	}
}

func number(ts *testscript.TestScript, text string) int64 {
	n, err := strconv.ParseInt(text, 10, 64)
	ts.Check(err)
	return n
}

func exits(ts *testscript.TestScript, neg bool, args []string) {
	want(ts, neg, len(args) > 1, "exits CODE COMMAND…")
	code := 0
	err := ts.Exec(args[1], args[2:]...)
	var exit *exec.ExitError
	if errors.As(err, &exit) {
		code = exit.ExitCode()
	} else {
		ts.Check(err)
	}
	if int64(code) != number(ts, args[0]) {
		ts.Fatalf("%v = %d; want %s", args[1:], code, args[0])
	}
}

func makeDisc(ts *testscript.TestScript, neg bool, args []string) {
	want(ts, neg, len(args) == 2 || len(args) == 3, "disc FILE SECTORS [SEED]")
	seed := int64(0)
	if len(args) == 3 {
		seed = number(ts, args[2])
	}
	data := faultydisc.Pattern(uint64(seed), sector.Span(0, number(ts, args[1])))
	ts.Check(os.WriteFile(ts.MkAbs(args[0]), data, 0o644))
}

// volumes are discs with files, by kind. In the album a.vob lies in sectors 24 to 123,
// b.vob in 124 to 183, the photos behind, readme.txt in 23, the folder films in 21.
var volumes = map[string]vt.File{
	"album": {Dir: true, Children: []vt.File{
		{Name: "films", Dir: true, Children: []vt.File{
			{Name: "a.vob", Data: vt.Bytes("a", 100*vt.Size)}, {Name: "b.vob", Data: vt.Bytes("b", 60*vt.Size-700)}}},
		{Name: "photos", Dir: true, Children: []vt.File{
			{Name: "one.jpg", Data: vt.Bytes("one", 9000)}, {Name: "two.jpg", Data: vt.Bytes("two", 5000)}}},
		{Name: "readme.txt", Data: []byte("read me\n")},
	}},
	"dvd":      dvdVolume(),
	"recorder": recorderVolume(),
	"twins": {Dir: true, Children: []vt.File{
		{Name: "Twin.txt", Data: []byte("1\n")}, {Name: "TWIN.TXT", Data: []byte("2\n")}, {Name: "../up\x1b[2J.txt", Data: []byte("3\n")},
		{Name: "con", Data: []byte("4\n")}, {Name: "passwd", Link: "/etc/passwd"},
	}},
}

func makeVolume(ts *testscript.TestScript, neg bool, args []string) {
	kind := "album"
	if len(args) == 2 {
		kind = args[1]
	}
	root, known := volumes[kind]
	want(ts, neg, known && (len(args) == 1 || len(args) == 2), "volume FILE [KIND]")
	image := vt.ISO(nil, root, vt.ISOOptions{RockRidge: true, Label: strings.ToUpper(kind)})
	image = append(image, make([]byte, max(0, 200*vt.Size-len(image)))...)
	ts.Check(os.WriteFile(ts.MkAbs(args[0]), image, 0o644))
}

func putFaulty(ts *testscript.TestScript, neg bool, args []string) {
	want(ts, neg, len(args) == 2, "faulty VAR SECTORS")
	d, err := faultydisc.Start(faultydisc.Options{Sectors: number(ts, args[1])})
	ts.Check(err)
	ts.Defer(func() { ts.Check(d.Close()) })
	ts.Value(drives{}).(map[string]*faultydisc.Drive)[args[0]] = d
	ts.Setenv(args[0], d.Node())
}

// obeyed carries out a command of a faulty disc's.
func obeyed(ts *testscript.TestScript, name, command string) faultydisc.Report {
	d := ts.Value(drives{}).(map[string]*faultydisc.Drive)[name]
	if d == nil {
		ts.Fatalf("there is no disc %s", name)
	}
	c, err := faultydisc.ParseCommand(command)
	ts.Check(err)
	report, err := d.Do(c)
	ts.Check(err)
	return report
}

func fault(ts *testscript.TestScript, neg bool, args []string) {
	want(ts, neg, len(args) > 1, "fault VAR COMMAND…")
	obeyed(ts, args[0], strings.Join(args[1:], " "))
}

func unasked(ts *testscript.TestScript, neg bool, args []string) {
	want(ts, neg, len(args) == 1, "unasked VAR")
	if log := obeyed(ts, args[0], "log").Requests; len(log) > 0 {
		ts.Fatalf("%s was asked for %v", args[0], log)
	}
}

func keep(ts *testscript.TestScript, neg bool, args []string) {
	want(ts, neg, len(args) == 1, "keep DIR")
	text, err := describe(ts.MkAbs(args[0]))
	ts.Check(err)
	ts.Value(kept{}).(map[string]string)[args[0]] = text
}

func unchanged(ts *testscript.TestScript, neg bool, args []string) {
	want(ts, neg, len(args) == 1, "unchanged DIR")
	was, ok := ts.Value(kept{}).(map[string]string)[args[0]]
	want(ts, neg, ok, "keep DIR, then unchanged DIR")
	is, err := describe(ts.MkAbs(args[0]))
	ts.Check(err)
	if is != was {
		ts.Fatalf("%s was\n%sand is\n%s", args[0], was, is)
	}
}

func same(ts *testscript.TestScript, neg bool, args []string) {
	want(ts, false, len(args) == 2, "same FILE FILE")
	a, err := hashOf(ts.MkAbs(args[0]))
	ts.Check(err)
	b, err := hashOf(ts.MkAbs(args[1]))
	ts.Check(err)
	if (a == b) == neg {
		ts.Fatalf("%s and %s: same bytes: %v", args[0], args[1], a == b)
	}
}

func put(ts *testscript.TestScript, neg bool, args []string) {
	want(ts, neg, len(args) == 3, "put FILE AT TEXT")
	f, err := os.OpenFile(ts.MkAbs(args[0]), os.O_WRONLY, 0)
	ts.Check(err)
	defer f.Close()
	_, err = f.WriteAt([]byte(args[2]), number(ts, args[1]))
	ts.Check(err)
}

func mode(ts *testscript.TestScript, neg bool, args []string) {
	want(ts, neg, len(args) == 2, "mode FILE MODE")
	info, err := os.Stat(ts.MkAbs(args[0]))
	ts.Check(err)
	if got := fmt.Sprintf("%o", info.Mode().Perm()); got != args[1] {
		ts.Fatalf("mode of %s = %s; want %s", args[0], got, args[1])
	}
}

func snapshot(ts *testscript.TestScript, neg bool, args []string) {
	want(ts, neg, len(args) == 1, "snapshot CASE")
	ts.Check(ts.Exec("turnstone", "status", args[0], "--json"))
	if kept, said := ts.ReadFile(filepath.Join(args[0], "status.json")), ts.ReadFile("stdout"); kept != said {
		ts.Fatalf("%s/status.json is\n%s\nwant what status --json says:\n%s", args[0], kept, said)
	}
}

// ages raises the major version in a map's head, by what the documentation of
// package mapfile says of it.
func ages(ts *testscript.TestScript, neg bool, args []string) {
	want(ts, neg, len(args) == 1, "ages FILE")
	db, err := bbolt.Open(ts.MkAbs(args[0]), 0o600, nil)
	ts.Check(err)
	defer db.Close()
	const bucket, key = "turnstone map", "head"
	ts.Check(db.Update(func(tx *bbolt.Tx) error {
		b := tx.Bucket([]byte(bucket))
		value := b.Get([]byte(key))
		var head map[string]any
		d := json.NewDecoder(strings.NewReader(string(value[:len(value)-4])))
		d.UseNumber()
		if err := d.Decode(&head); err != nil {
			return err
		}
		if _, ok := head["major"]; !ok {
			return fmt.Errorf("the head %v has no major version", head)
		}
		head["major"] = 99
		body, err := json.Marshal(head)
		if err != nil {
			return err
		}
		sum := crc32.Checksum([]byte(bucket+"/"+key+string(body)), crc32.MakeTable(crc32.Castagnoli))
		return b.Put([]byte(key), binary.LittleEndian.AppendUint32(body, sum))
	}))
}

func jsonLinesOnly(ts *testscript.TestScript, neg bool, args []string) {
	want(ts, neg, len(args) == 0, "jsonlines")
	seen := 0
	for line := range strings.Lines(ts.ReadFile("stderr")) {
		var doc struct{ Time, Kind string }
		if err := json.Unmarshal([]byte(line), &doc); err == nil && doc.Kind != "" && doc.Time != "" {
			seen++
		} else if seen > 0 {
			ts.Fatalf("the line %q is no event: %v", line, err)
		}
	}
	if seen == 0 {
		ts.Fatalf("no JSON on standard error")
	}
}
