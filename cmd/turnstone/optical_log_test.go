package main

import (
	"encoding/binary"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"turnstone/device/devicetest"
	"turnstone/device/scsi"
	"turnstone/device/sector"
	"turnstone/imager"
)

// asked is one line of a drive's log: a command, or what else happened to it.
type asked struct {
	at    time.Duration // since the drive was started
	read  sector.Range  // of a READ; empty for another command
	cdb   []byte        // of another command; nil where it is none
	sense string        // key/code/qualifier in hexadecimal digits; "ok"
	came  int64         // sectors that the drive sent
	raw   int64         // bytes of raw sectors that it sent instead
	took  time.Duration // in the drive, not waiting for its turn
	note  string        // what happened that is no command
}

func (a asked) op() scsi.Op {
	if a.cdb == nil {
		return 0
	}
	return scsi.Op(a.cdb[0])
}

// log is all that the drive was asked since it was started. The lines stand in the
// order in which the commands ended.
//
//	1234 read 480 48: 3/11/05, 32768 bytes, 12 ms, queued 0 ms
//	1300 bb 00 01 61 ff ff 00 00 00 00 00 00: ok, 0 bytes, 0 ms, queued 0 ms
//	1400 usb reset
func (d *usbDrive) log() (all []asked) {
	d.t.Helper()
	b, err := os.ReadFile(d.path("log"))
	if err != nil {
		d.t.Fatal(err)
	}
	for line := range strings.Lines(string(b)) {
		a, ok := parseAsked(line)
		if !ok {
			d.t.Fatalf("the log of %s has the line %q", d.model, line)
		}
		all = append(all, a)
	}
	return all
}

func parseAsked(line string) (a asked, ok bool) {
	line, whole := strings.CutSuffix(line, "\n")
	if !whole {
		return a, true // it is being written
	}
	ms, rest, _ := strings.Cut(line, " ")
	if _, err := fmt.Sscan(ms, (*milliseconds)(&a.at)); err != nil {
		return a, false
	}
	what, result, command := strings.Cut(rest, ": ")
	if !command {
		a.note = rest
		return a, true
	}
	var bytes, took, queued int64
	a.sense, result, _ = strings.Cut(result, ", ")
	if _, err := fmt.Sscanf(result, "%d bytes, %d ms, queued %d ms", &bytes, &took, &queued); err != nil {
		return a, false
	}
	a.came, a.took = bytes/sector.Size, time.Duration(took)*time.Millisecond
	if bytes%sector.Size != 0 { // READ CD of whole sectors: 2,352 bytes each, or 2,646 with pointers
		a.came, a.raw = 0, bytes
	}
	var first, n int64
	if _, err := fmt.Sscanf(what, "read %d %d", &first, &n); err == nil {
		a.read = sector.Span(sector.LBA(first), n)
		return a, true
	}
	var err error
	a.cdb, err = hex.DecodeString(strings.ReplaceAll(what, " ", ""))
	return a, err == nil && len(a.cdb) > 0
}

type milliseconds time.Duration

func (m *milliseconds) Scan(s fmt.ScanState, verb rune) error {
	var n int64
	_, err := fmt.Fscan(s, &n)
	*m = milliseconds(time.Duration(n) * time.Millisecond)
	return err
}

// reads are the READs of a log.
func reads(log []asked) []asked {
	return slices.DeleteFunc(slices.Clone(log), func(a asked) bool { return a.read.Empty() })
}

// disc is an image that the drives of the rig read.
type disc struct {
	path    string
	sectors int64
	pattern int64 // sectors with a pattern in them; zeros follow
	shift   sector.LBA
}

// newDisc makes one. The rig's drives call a disc a DVD that holds more than 450,000
// sectors, a CD where it does not.
func newDisc(t testing.TB, sectors, pattern int64, shift sector.LBA) disc {
	t.Helper()
	d := disc{filepath.Join(t.TempDir(), "disc.iso"), sectors, pattern, shift}
	f, err := os.Create(d.path)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	if _, err := f.Write(d.content(sector.Span(0, pattern))); err != nil {
		t.Fatal(err)
	}
	if err := f.Truncate(sectors * sector.Size); err != nil {
		t.Fatal(err)
	}
	return d
}

// content is what a disc holds there.
func (d disc) content(r sector.Range) []byte {
	b := make([]byte, r.Bytes())
	for a := r.First; a < r.End && a < sector.LBA(d.pattern); a++ {
		devicetest.Pattern(a+d.shift, b[(a - r.First).Offset():][:sector.Size])
	}
	return b
}

// job follows one case in the guest over many runs of the program. It believes the
// drives' logs only.
type job struct {
	t     testing.TB
	g     *guest
	dir   string // in the guest
	disc  disc
	drive *usbDrive
	node  string
	good  sector.Set // as the map on the disk has it
	seen  int        // commands of the drive's log that were judged
	ids   int        // identity reads so far

	passes int // that were held to be with the drive
}

// newJob puts a disc into a drive, plugs the drive in and names a folder for the case.
func newJob(t testing.TB, g *guest, d *usbDrive, c disc, faults ...string) *job {
	t.Helper()
	j := &job{t: t, g: g, dir: "/tmp/case-" + d.model, disc: c}
	d.tell(append([]string{"insert " + c.path}, faults...)...)
	j.plug(d)
	t.Cleanup(func() { g.do(t, "remove", j.dir) })
	return j
}

// plug plugs a drive in, and takes it for the passes to come. One that was switched off is
// plugged in when the guest has noticed that: until then its old node is there, which
// another drive may have soon.
func (j *job) plug(d *usbDrive) {
	j.t.Helper()
	d.t = j.t
	j.g.do(j.t, "gone", d.model)
	d.tell("plug")
	j.drive, j.node = d, j.g.do(j.t, "node", d.model)
	j.seen = len(d.log())
}

// anew begins with a new case.
func (j *job) anew() {
	j.t.Helper()
	j.g.do(j.t, "remove", j.dir)
	j.good, j.seen, j.passes = sector.Set{}, len(j.drive.log()), 0
}

// start starts a pass.
func (j *job) start(more ...string) *inGuestRun {
	j.t.Helper()
	return j.g.start(j.t, append([]string{"read", j.dir, "--drive", j.node, "--json"}, more...)...)
}

// read runs a pass to its end and judges it.
func (j *job) read(more ...string) (result, []asked) {
	j.t.Helper()
	r := j.start(more...).wait()
	return r, j.judge(r)
}

// since is what the drive was asked since the last judging.
func (j *job) since() []asked { return j.drive.log()[j.seen:] }

// judge holds what the drive was asked since the last judging against what was good
// at that time, as a witness does. The sectors in front of a failing one count as
// delivered: the drive sends them. What the drive took very long for was given up.
func (j *job) judge(r result) []asked {
	j.t.Helper()
	const given = 30 * time.Second // longer than any gate, shorter than any stall that ends
	log := j.since()
	j.seen += len(log)
	j.with(r)
	identity := r.events("identity-read")
	good := j.good.Clone()
	for _, q := range reads(log) {
		if good.Overlaps(q.read) {
			if len(identity) == 0 || identity[0].Range != q.read {
				j.t.Errorf("READ of %v at %v covers good sectors, and no identity read was announced for it", q.read, q.at)
				continue
			}
			identity = identity[1:]
			j.ids++
			continue
		}
		if q.took < given {
			good.Add(sector.Span(q.read.First, q.came))
		}
	}
	if len(identity) > 0 {
		j.t.Errorf("identity reads of %v were announced and never asked for", identity)
	}
	now := j.listed("good")
	if lost := j.good.Subtract(&now); !lost.Empty() {
		j.t.Errorf("sectors %v were good and are not any more", lost)
	}
	if invented := now.Subtract(&good); !invented.Empty() {
		j.t.Errorf("sectors %v are called good and never came", invented)
	}
	j.good = now
	return log
}

// with checks that a pass that came to its end, if there was one, was with the drive that was
// meant: all hold the same discs, so that of another all would be true that is told of the disc.
func (j *job) with(r result) {
	j.t.Helper()
	if r.out == "" {
		return
	}
	var passes []imager.PassStatus
	for _, round := range r.status().Rounds {
		passes = append(passes, round.Passes...)
	}
	for _, p := range passes[min(j.passes, len(passes)):] {
		if !strings.Contains(p.Drive, j.drive.model) {
			j.t.Fatalf("pass %d was with the drive %q; want %s, which was %s", p.Pass, p.Drive, j.drive.model, j.node)
		}
	}
	j.passes = len(passes)
}

// listed is what status --list prints.
func (j *job) listed(what string) sector.Set {
	j.t.Helper()
	return rangesIn(j.t, j.g.turnstone(j.t, "status", j.dir, "--list", what).is(exitDone).out)
}

// lists checks what the map lists.
func (j *job) lists(what string, want ...sector.Range) {
	j.t.Helper()
	set := sector.Of(want...)
	if got := j.listed(what); !got.Equal(&set) {
		j.t.Errorf("status --list %s = %v; want %v", what, got, set)
	}
}

// fetched is the case, copied out of the guest, as a witness of its own has it.
func (j *job) fetched() *witness {
	j.t.Helper()
	name := filepath.Base(j.dir)
	j.g.do(j.t, "fetch", j.dir, name)
	return &witness{t: j.t, dir: filepath.Join(j.g.share, name), drive: drive{sectors: j.disc.sectors, content: j.disc.content}}
}

// sent are those of a log with an operation code.
func sent(log []asked, op scsi.Op) []asked {
	return slices.DeleteFunc(slices.Clone(log), func(a asked) bool { return a.op() != op })
}

// index is the number of the first command with an operation code; -1 where there is
// none.
func index(log []asked, op scsi.Op) int {
	return slices.IndexFunc(log, func(a asked) bool { return a.op() == op })
}

func firstRead(log []asked) int {
	return slices.IndexFunc(log, func(a asked) bool { return !a.read.Empty() })
}

// restored checks that the drive got its own speed back after the last READ, and its
// page where that was changed: by so many MODE SELECTs.
func (j *job) restored(log []asked, selects int) {
	j.t.Helper()
	last := 0
	for i, a := range log {
		if !a.read.Empty() {
			last = i
		}
	}
	speeds, pages := sent(log[last:], scsi.OpSetCDSpeed), sent(log[last:], scsi.OpModeSelect10)
	if len(speeds) != 1 || binary.BigEndian.Uint16(speeds[0].cdb[2:]) != scsi.MaxSpeed {
		j.t.Errorf("SET CD SPEED after the last READ: %v; want one, to the drive's own speed", speeds)
	}
	if len(pages) != selects {
		j.t.Errorf("MODE SELECT after the last READ: %v; want %d", pages, selects)
	}
}

// setBeforeReading checks that a speed and a page were set before the first READ.
func (j *job) setBeforeReading(log []asked, kBps float64) {
	j.t.Helper()
	before := log[:max(firstRead(log), 0)]
	speeds := sent(before, scsi.OpSetCDSpeed)
	if len(speeds) == 0 || binary.BigEndian.Uint16(speeds[len(speeds)-1].cdb[2:]) != uint16(kBps) {
		j.t.Errorf("SET CD SPEED before the first READ: %v; want the last to %d kB/s", speeds, uint16(kBps))
	}
	if len(sent(before, scsi.OpModeSelect10)) == 0 {
		j.t.Error("no MODE SELECT before the first READ")
	}
}

// retries is the drive's read retry count, as the program tells it.
func (j *job) retries() int {
	j.t.Helper()
	var docs []driveDoc
	out := j.g.turnstone(j.t, "drives", j.node, "--json").is(exitDone).out
	if err := json.Unmarshal([]byte(out), &docs); err != nil || len(docs) != 1 || docs[0].Recovery == nil {
		j.t.Fatalf("drives --json = %s, %v; want a drive with a recovery page", out, err)
	}
	return docs[0].Recovery.ReadRetryCount
}

// untilPastGate waits until the READ at a gate of that length has ended in the drive,
// whoever waits for it.
func (j *job) untilPastGate(long time.Duration) {
	j.t.Helper()
	for range tooLate / lookEvery {
		for _, q := range reads(j.since()) {
			if q.took >= long {
				return
			}
		}
		time.Sleep(lookEvery)
	}
	j.t.Fatal("no READ took as long as the gate")
}

// seconds is the time from a log's first READ to the end of its last.
func seconds(log []asked) float64 {
	all := reads(log)
	if len(all) == 0 {
		return 0
	}
	last := all[len(all)-1]
	return (last.at + last.took - all[0].at).Seconds()
}
