package main

import (
	"encoding/json"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"

	"turnstone/device/scsi"
	"turnstone/device/sector"
)

// gate is a place of the disc at which the drive takes so long that things can be
// done meanwhile, also by a machine that does much else; it is no stall.
const (
	gate     sector.LBA = 9000
	gateTime            = 15 * time.Second

	// spindleGate is shorter: a drive that has not answered a few seconds after the pass was
	// ended is not told to stop its spindle any more.
	spindleGate = 8 * time.Second
)

func gateRule(long time.Duration) string { return fmt.Sprintf("%d stall %v 1", gate, long) }

// atGate waits until the program says that the drive is at the gate.
func (r *inGuestRun) atGate() {
	r.t.Helper()
	for !r.ended() {
		for line := range strings.Lines(r.said("err")) {
			var p progressDoc
			if json.Unmarshal([]byte(line), &p) != nil || p.Kind != "progress" || p.Trying < 0.5 {
				continue
			}
			if at, err := sector.ParseRange(p.At); err == nil && at.Contains(gate) {
				return
			}
		}
		time.Sleep(lookEvery)
	}
	r.t.Fatalf("the pass ended before it was at sector %d: %+v", gate, r.wait())
}

// The settings that the user wants are in force before the first READ. Killed in the
// middle of the reading the program leaves them; the next run gives the drive its own
// back before it reads.
func settingsAfterAKill(t *testing.T, g *guest, d []*usbDrive) {
	j := newJob(t, g, d[0], newDisc(t, cdSectors, cdSectors, 0), gateRule(gateTime))
	own := j.retries()
	run := j.start("--read-retry-count", "0", "--cap", "4x")
	run.atGate()
	run.signal(syscall.SIGKILL)
	if r := run.wait(); r.code != -1 {
		t.Errorf("killed = %d; want a signal", r.code)
	}
	j.untilPastGate(gateTime)
	log := j.judge(run.wait())
	j.setBeforeReading(log, 4*176.4+0.5)
	if n := j.retries(); n != 0 {
		t.Errorf("read retry count after the kill = %d; want 0, as it was set", n)
	}
	j.seen = len(d[0].log())

	r, log := j.read("--to-the-end")
	r.is(exitDone)
	if i := index(log, scsi.OpModeSelect10); i < 0 || i > firstRead(log) {
		t.Errorf("MODE SELECT is number %d of the log, the first READ %d; want the drive's own settings before", i, firstRead(log))
	}
	j.restored(log, 0) // the page is the drive's own already
	if n := j.retries(); n != own {
		t.Errorf("read retry count in the end = %d; want the drive's own, %d", n, own)
	}
	j.fetched().whole()

	j.anew()
	r, log = j.read("--read-retry-count", "0", "--cap", "2000kB/s", "--only", "0-999")
	r.is(exitMissing)
	j.setBeforeReading(log, 2000)
	j.restored(log, 1)
	if n := j.retries(); n != own {
		t.Errorf("read retry count after the pass = %d; want the drive's own, %d", n, own)
	}
}

// The drive gives no answer for 45 seconds and goes on by itself. Only the block at
// which it stalled counts as asked for, and nothing is done to the drive meanwhile.
func stallThatPasses(t *testing.T, g *guest, d []*usbDrive) {
	const at, long = 9000, 45 * time.Second
	j := newJob(t, g, d[0], newDisc(t, dvdSectors, cdSectors, 0), fmt.Sprintf("%d stall %v 1", at, long))
	only := fmt.Sprintf("--only=0-%d", cdSectors-1)
	r, log := j.read(only, "--to-the-end", "--stall", "10s")
	r.is(exitMissing)
	j.lists("bad")
	j.lists("good", sector.Span(0, cdSectors))
	var over time.Duration
	for _, q := range log {
		if q.read.Contains(at) && q.took > 40*time.Second {
			over = q.at + q.took
		}
		if q.note != "" {
			t.Errorf("at %v: %s; want nothing done to a drive that comes back by itself", q.at, q.note)
		}
	}
	if over == 0 {
		t.Fatal("no READ took 45 seconds; the test shows nothing")
	}
	for _, q := range reads(log) {
		if q.at > over {
			t.Logf("the next READ came %v after the drive had answered", q.at-over)
			break
		}
	}
	for _, e := range append(r.events("stall"), r.events("step")...) {
		t.Logf("%s %v: %s", e.Kind, e.Range, e.Text)
	}
	j.fetched().truthful()
}

// The drive never answers again: all steps are tried, the pass ends, the case is
// intact. Switched off and on, the drive goes on.
func endlessHang(t *testing.T, g *guest, d []*usbDrive) {
	j := newJob(t, g, d[0], newDisc(t, cdSectors, cdSectors, 0), fmt.Sprintf("%d stall 24h", gate))
	r, _ := j.read("--stall", "8s")
	r.is(exitDrive)
	for _, e := range append(r.events("stall"), r.events("step")...) {
		t.Logf("%s %v: %s", e.Kind, e.Range, e.Text)
	}
	j.lists("bad")
	j.fetched().truthful()

	d[0].switchOff()
	d[0].start(t, d[0].built)
	d[0].tell("insert " + j.disc.path)
	j.plug(d[0])
	r, _ = j.read("--to-the-end")
	r.is(exitDone)
	w := j.fetched()
	w.truthful()
	w.whole()
}

// The drive never answers again, and the user has a switch for its mains: the last
// step. The same pass goes on with the drive, though it may have another node now.
func mainsSwitch(t *testing.T, g *guest, d []*usbDrive) {
	j := newJob(t, g, d[0], newDisc(t, cdSectors, cdSectors, 0), fmt.Sprintf("%d stall 24h", gate))
	wish := "wish-" + d[0].model
	run := j.start("--to-the-end", "--stall", "8s", "--mains-switch", "/host/"+wish)
	var node []byte
	for node == nil {
		if run.ended() {
			t.Fatalf("the pass ended before the switch was thrown: %+v", run.wait())
		}
		time.Sleep(lookEvery)
		node, _ = os.ReadFile(filepath.Join(g.share, wish))
	}
	if string(node) != j.node {
		t.Errorf("the switch is thrown for %q; want the drive's node, %s", node, j.node)
	}
	d[0].switchOff()
	d[0].start(t, d[0].built)
	d[0].tell("insert "+j.disc.path, "plug")
	if err := os.Remove(filepath.Join(g.share, wish)); err != nil {
		t.Fatal(err)
	}
	r := run.wait().is(exitDone)
	for _, e := range append(r.events("stall"), r.events("step")...) {
		t.Logf("%s %v: %s", e.Kind, e.Range, e.Text)
	}
	j.seen = 0 // it has a log of its own since it was switched on
	j.with(r)
	j.lists("bad")
	w := j.fetched()
	w.truthful()
	w.whole()
}

// The drive is unplugged in the middle and comes back as another node: it is the same
// drive, and what it failed at is not asked of it again.
func unplugged(t *testing.T, g *guest, d []*usbDrive) {
	const bad = 3000
	j := newJob(t, g, d[0], newDisc(t, cdSectors, cdSectors, 0), gateRule(gateTime), fmt.Sprintf("%d error 3/11/05", bad))
	r, _ := j.read("--only", fmt.Sprint(bad))
	r.is(exitMissing)
	j.lists("bad", sector.Span(bad, 1))
	before := j.node
	g.do(t, "hold", j.node)
	run := j.start("--to-the-end")
	run.atGate()
	d[0].tell("unplug")
	r = run.wait().is(exitDrive)
	j.judge(r)
	j.lists("bad", sector.Span(bad, 1))
	d[0].tell("clear")
	j.plug(d[0])
	if j.node == before {
		t.Errorf("node = %s as before; the test shows nothing", j.node)
	}
	r, _ = j.read("--to-the-end")
	r.is(exitMissing)
	j.lists("missing", sector.Span(bad, 1))
	g.do(t, "release", before)
	r, _ = j.read("--again", "--to-the-end")
	r.is(exitDone)
	w := j.fetched()
	w.truthful()
	w.whole()
}

// Another disc is put in under the reading: not one sector of it comes into the case.
// Both discs tell the same of themselves; only their content differs. The drive tells
// of the change once: the program, or whoever opens the node before that asks again.
func discSwapped(t *testing.T, g *guest, d []*usbDrive) {
	j := newJob(t, g, d[0], newDisc(t, cdSectors, cdSectors, 0))
	other := newDisc(t, cdSectors, cdSectors, 1)
	for _, opened := range []bool{false, true} {
		d[0].tell("eject", "insert "+j.disc.path, gateRule(gateTime))
		j.anew()
		run := j.start("--to-the-end")
		run.atGate()
		d[0].tell("eject", "insert "+other.path)
		if opened {
			g.do(t, "hold", j.node)
		}
		r := run.wait().is(exitDrive)
		j.judge(r)
		j.lists("bad")
		w := j.fetched()
		w.truthful()
		w.ended("other-disc")

		r, _ = j.read("--to-the-end") // it is still in the drive
		r.is(exitDrive)
		j.fetched().truthful()
	}
	g.do(t, "release", j.node)
	d[0].tell("eject", "insert "+j.disc.path)
	r, _ := j.read("--to-the-end")
	r.is(exitDone)
	w := j.fetched()
	w.truthful()
	w.whole()
}

// What the program says of drives, the tray, and stop.
func trayAndSpindle(t *testing.T, g *guest, d []*usbDrive) {
	j := newJob(t, g, d[0], newDisc(t, cdSectors, cdSectors, 0))
	var docs []driveDoc
	if err := json.Unmarshal([]byte(g.turnstone(t, "drives", j.node, "--json").is(exitDone).out), &docs); err != nil || len(docs) != 1 {
		t.Fatalf("drives --json = %v, %v; want one drive", docs, err)
	}
	if c := docs[0]; !c.Optical || !c.Ready || c.Model != "TRAY" || c.Kind != "cd" || c.Sectors != cdSectors || c.Recorded != cdSectors || !c.Settable || c.Recovery == nil {
		t.Errorf("drives --json = %+v; want an optical drive with a CD of %d sectors that can be set", docs[0], cdSectors)
	}
	t.Log(g.turnstone(t, "drives", j.node).is(exitDone).out)

	r, log := j.read("--only", "0-999", "--eject")
	r.is(exitMissing)
	if c := sent(log, scsi.OpStartStopUnit); len(c) == 0 || c[len(c)-1].cdb[4]&3 != 2 {
		t.Errorf("START STOP UNIT commands = %v; want the last one to open the tray (LoEj, no Start)", c)
	}
	g.turnstone(t, "read", j.dir, "--drive", j.node).is(exitDrive, "tray is open")

	d[0].tell("insert "+j.disc.path, gateRule(spindleGate))
	j.seen = len(d[0].log())
	run := j.start("--to-the-end")
	run.atGate()
	g.turnstone(t, "stop", j.dir).is(exitDone, "was ended")
	r = run.wait().is(exitMissing)
	j.untilPastGate(spindleGate)
	log = j.judge(r)
	if c := sent(log, scsi.OpStartStopUnit); len(c) == 0 || c[len(c)-1].cdb[4]&3 != 0 {
		t.Errorf("START STOP UNIT commands = %v; want one to stop the spindle", c)
	}
	r, _ = j.read("--to-the-end")
	r.is(exitDone)
	w := j.fetched()
	w.truthful()
	w.whole()
}
