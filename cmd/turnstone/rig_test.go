package main

import (
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"syscall"
	"testing"

	"turnstone/device/faultydisc"
	"turnstone/device/sector"
)

// rig is a faulty block device that was written apart from this project: an
// independent judge of what was read, and how often.
type rig struct {
	t      testing.TB
	script string
	state  string
}

// newRig starts the rig with a disc of so many sectors.
func newRig(t *testing.T, sectors int64) (rig, *witness) {
	t.Helper()
	rigs := os.Getenv("TURNSTONE_RIGS")
	if rigs == "" {
		t.Skip("TURNSTONE_RIGS names no folder with rigs")
	}
	r := rig{t, filepath.Join(rigs, "loop", "run.sh"), t.TempDir()}
	t.Cleanup(func() { r.do("down") })
	node := strings.TrimSpace(r.do("up", "-pattern", fmt.Sprint(sectors), "-asyncdio"))
	w := &witness{t: t, dir: filepath.Join(t.TempDir(), "case")}
	told := 0
	w.drive = drive{node, sectors, rigContent, func() []faultydisc.Request {
		all := r.requests()
		since := all[told:]
		told = len(all)
		return since
	}}
	return r, w
}

// do runs the rig's script.
func (r rig) do(args ...string) string {
	r.t.Helper()
	cmd := exec.Command(r.script, args...)
	cmd.Env = append(os.Environ(), "H="+r.state)
	out, err := cmd.Output()
	if err != nil {
		r.t.Fatalf("%s %v: %v\n%s", r.script, args, err, out)
	}
	return string(out)
}

func (r rig) ctl(command ...string) string {
	r.t.Helper()
	return r.do(append([]string{"ctl"}, command...)...)
}

// rigContent is what the rig's discs hold: in each sector its number, in 8 bytes
// each, the highest first, over and over.
func rigContent(s sector.Range) []byte {
	b := make([]byte, s.Bytes())
	for i := range b {
		number := uint64(s.First) + uint64(i)/sector.Size
		b[i] = byte(number >> (8 * (7 - i%8)))
	}
	return b
}

// requests is the rig's log. A line tells number, time, duration, off=BYTES,
// (sector N), len=BYTES, and the result: bytes, "held", or the words of an error.
func (r rig) requests() (log []faultydisc.Request) {
	r.t.Helper()
	for line := range strings.Lines(r.ctl("log")) {
		f := strings.Fields(line)
		if len(f) < 8 {
			r.t.Fatalf("the rig's log has the line %q", line)
		}
		at, err1 := strconv.ParseInt(strings.TrimPrefix(f[3], "off="), 10, 64)
		n, err2 := strconv.ParseInt(strings.TrimPrefix(f[6], "len="), 10, 64)
		if err1 != nil || err2 != nil {
			r.t.Fatalf("the rig's log has the line %q", line)
		}
		q := faultydisc.Request{Sectors: sector.Span(sector.LBA(at/sector.Size), n/sector.Size)}
		if f[7] == "held" {
			q.Waiting = true
		} else if got, err := strconv.ParseInt(f[7], 10, 64); err != nil || got != n {
			q.Errno = syscall.EIO // or another
		}
		log = append(log, q)
	}
	return log
}

// counts is how often the rig was asked for each sector: lines of "first-last: n".
func (r rig) counts(sectors int64) []int {
	r.t.Helper()
	counts := make([]int, sectors)
	for line := range strings.Lines(r.ctl("counts")) {
		var first, last, n int
		if _, err := fmt.Sscanf(line, "%d-%d: %d", &first, &last, &n); err != nil {
			r.t.Fatalf("the rig's counts have the line %q", line)
		}
		for i := first; i <= last; i++ {
			counts[i] = n
		}
	}
	return counts
}

// A whole job on the rig: a scratch, sectors that come at the third asking, a
// stall, a drive that is unplugged. By the rig's own counts each sector was asked
// for once more than it failed: no good one was read twice.
func TestRigCountsNoGoodSectorTwice(t *testing.T) {
	t.Parallel()
	const n = 40_000
	r, w := newRig(t, n)
	r.ctl("rule", "9000-9063", "errno=ENODATA", "times=60")
	r.ctl("rule", "20000", "errno=ENODATA", "times=2")
	r.ctl("rule", "20010-20012", "errno=EIO", "times=30")
	r.ctl("rule", "30000", "hang")
	w.read("--stall", shortStall, "--only", "0-32767").is(exitMissing)
	w.truthful()
	r.ctl("rule", fmt.Sprintf("0-%d", n-1), "errno=ENODEV")
	w.read().is(exitDrive)
	w.truthful()
	r.ctl("clear")
	w.read("--again").is(exitDone)
	w.truthful()
	w.whole()

	failed := make([]int, n)
	for _, q := range r.requests() {
		for a := q.Sectors.First; !q.Good() && a < q.Sectors.End; a++ {
			failed[a]++ // or hangs still
		}
	}
	for a, count := range r.counts(n) {
		if count != failed[a]+1 {
			t.Errorf("sector %d was asked for %d times, of which %d failed; want once more than that", a, count, failed[a])
		}
	}
}
