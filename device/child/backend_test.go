package child

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"strings"
	"syscall"
	"testing"
	"time"

	"golang.org/x/sys/unix"

	"turnstone/device"
	"turnstone/device/devicetest"
	"turnstone/device/sector"
)

func TestMain(m *testing.M) {
	Main(map[string]Opener{"test": openTest})
	if os.Getenv(parentEnv) != "" {
		beParent()
	}
	os.Exit(m.Run())
}

// parentEnv makes the test binary a parent that can be killed: it opens a drive,
// tells the child's process id, and waits for its own end.
const parentEnv = "TURNSTONE_CHILD_TEST_PARENT"

func beParent() {
	r, err := Start(context.Background(), Config{Opener: "test", Spec: drive{}.spec(), Stall: time.Hour})
	if err != nil {
		fmt.Println(err)
		os.Exit(1)
	}
	if os.Getenv(parentEnv) == "busy" {
		if err := r.Ask(sector.Span(hangs, 1)); err != nil {
			fmt.Println(err)
			os.Exit(1)
		}
	}
	fmt.Println(r.p.cmd.Process.Pid)
	io.Copy(io.Discard, os.Stdin)
}

// drive is the drive of these tests: what it does at its opening, and a disc of
// 1000 sectors of which some do not read. It is real enough for the parent, which
// sees a child that does not answer, whatever the reason.
type drive struct {
	Open  string // how its opening goes: "" well
	Depth int    // 2 where it is 0
	Piece int64  // sectors that it takes at a time; 0: all that it is asked for
	Wild  bool   // it does so at the sectors below also where they are in a piece
	Gate  string // a file without which the part with sector gate does not end
}

// What the drive does where one of these sectors is asked for alone.
const (
	hangs   = 900 // it never answers
	crashes = 950 // the process ends
	goes    = 902 // the drive is gone
	short   = 903 // nothing comes, without a reason
	vague   = 904 // nor with a reason of any class
	gate    = 300
)

var badSectors = []devicetest.Bad{{Range: sector.Span(500, 2), Class: device.Medium}}

func (d drive) spec() []byte { return encode(d) }

func openTest(spec []byte) (Backend, device.Info, error) {
	var d drive
	if err := json.Unmarshal(spec, &d); err != nil {
		return nil, device.Info{}, err
	}
	if d.Depth == 0 {
		d.Depth = 2
	}
	info := device.Info{Node: "/dev/test", Model: "Invented", Kind: "unknown", Sectors: 1000, BlockSectors: 16,
		MaxSectors: 64, Depth: d.Depth, Medium: "m"}
	switch d.Open {
	case "absent":
		return nil, info, &device.OpenError{Node: "/dev/test", What: "it is not there", Cure: "Plug it in.", Err: unix.ENXIO}
	case "empty":
		return nil, info, &device.OpenError{Node: "/dev/test", What: "no disc", NoDisc: true, Err: unix.ENOMEDIUM}
	case "plain error":
		return nil, info, errors.New("it does not want")
	case "busy":
		return nil, info, &device.OpenError{What: "busy", Err: unix.EBUSY}
	case "hang":
		select {}
	case "crash":
		panic("invented crash")
	case "too deep":
		info.Depth = maxDepth + 1
	case "too long":
		info.MaxSectors = maxRequest + 1
	}
	return d, info, nil
}

func (d drive) Part(r sector.Range) sector.Range {
	if d.Piece == 0 {
		return r
	}
	return sector.Span(r.First, min(d.Piece, r.Count()))
}

func (d drive) Read(r sector.Range, buf []byte) Outcome {
	alone := r.Count() == 1 && d.Piece == 0 || d.Wild
	for d.Gate != "" && r.Contains(gate) {
		if _, err := os.Stat(d.Gate); err == nil {
			break
		}
		time.Sleep(time.Millisecond)
	}
	for a := r.First; a < r.End; a++ {
		good := int64(a - r.First)
		switch {
		case alone && a == hangs:
			select {}
		case alone && a == crashes:
			panic("invented crash")
		case alone && a == goes:
			return Outcome{Err: &device.ReadError{Class: device.Gone, At: -1, Text: "it went", Err: unix.ENODEV}}
		case alone && a == short:
			return Outcome{Good: good}
		case alone && a == vague:
			return Outcome{Err: &device.ReadError{At: -1, Text: "well"}}
		case badSectors[0].Range.Contains(a):
			return Outcome{Good: good, Err: &device.ReadError{Class: device.Medium, At: a,
				Sense: device.Sense{Key: 3, ASC: 0x11, ASCQ: 5}, Text: "invented", Err: unix.ENODATA}}
		}
		devicetest.Pattern(a, buf[good*sector.Size:][:sector.Size])
	}
	return Outcome{Good: r.Count(), Weak: r.Contains(700)}
}

func (d drive) Call(op string, arg []byte) ([]byte, error) {
	switch op {
	case "echo":
		return arg, nil
	case "errno":
		return nil, fmt.Errorf("invented: %w", unix.EPERM)
	case "words":
		return nil, errors.New("in words")
	case "hang":
		select {}
	case "self":
		return encode(lookAtSelf()), nil
	}
	return nil, device.ErrUnsupported
}

func (d drive) Close() error { return nil }

// self is what a process can say of itself.
type self struct {
	Pid, Pgid   int
	Dir         string
	Descriptors map[string]string
}

func lookAtSelf() self {
	s := self{Pid: os.Getpid(), Pgid: syscall.Getpgrp(), Descriptors: map[string]string{}}
	s.Dir, _ = os.Getwd()
	entries, _ := os.ReadDir("/proc/self/fd")
	for _, e := range entries {
		if target, err := os.Readlink("/proc/self/fd/" + e.Name()); err == nil && !strings.HasPrefix(target, "anon_inode:") {
			s.Descriptors[e.Name()], _, _ = strings.Cut(target, ":[") // "pipe:[123]"
		}
	}
	return s
}
