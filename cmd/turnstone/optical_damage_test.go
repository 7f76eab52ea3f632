package main

import (
	"fmt"
	"path/filepath"
	"strings"
	"testing"

	"turnstone/device/sector"
	"turnstone/mapfile"
)

// A scratched DVD over two rounds and two drives, which have one name after the other:
// the first is unplugged before the second is plugged in.
func twoRoundsTwoDrives(t *testing.T, g *guest, d []*usbDrive) {
	const n = 24_000
	c := newDisc(t, dvdSectors, n, 0)
	only := fmt.Sprintf("--only=0-%d", n-1)
	j := newJob(t, g, d[0], c, "6000-6031 error 3/11/05", "12005 error 3/11/05", "15003 error 3/02/00",
		"18000 error 3/11/05 1", "21000 error 4/44/00")
	// What is lost begins at the failing sector and ends with its block of 16.
	lost := []sector.Range{sector.Span(6000, 32), sector.Span(12005, 11), sector.Span(15003, 5), sector.Span(18000, 16), sector.Span(21000, 8)}
	r, log := j.read(only, "--to-the-end")
	r.is(exitMissing)
	j.lists("bad", lost...)
	j.restored(log, 0)

	j.read(only, "--to-the-end") // the same surface, the same drive: what failed is not asked for
	j.lists("bad", lost...)

	g.turnstone(t, "round", j.dir, "polish fine, 90 s").is(exitDone)
	d[0].tell("clear", "6000-6031 error 3/11/05", "15003 error 3/02/00")
	r, log = j.read(only, "--to-the-end")
	r.is(exitMissing)
	j.lists("bad", sector.Span(6000, 32), sector.Span(15003, 5))
	j.restored(log, 0)

	d[0].tell("unplug")
	d[1].tell("insert "+c.path, "6005 error 3/11/05")
	ids := j.ids
	j.plug(d[1])
	r, log = j.read(only, "--to-the-end")
	r.is(exitMissing)
	if j.ids != ids+1 {
		t.Errorf("identity reads by another drive = %d; want 1", j.ids-ids)
	}
	j.lists("bad", sector.Span(6005, 11))
	j.restored(log, 0)

	d[1].tell("clear")
	ids = j.ids
	if _, log := j.read(only); len(reads(log)) > j.ids-ids {
		t.Errorf("READs of what failed with this drive on this surface = %v; want none", reads(log))
	}
	j.read(only, "--again", "--to-the-end")
	j.lists("good", sector.Span(0, n))
	j.fetched().truthful()
	names := map[string]bool{}
	for _, round := range g.turnstone(t, "status", j.dir, "--json").is(exitDone).status().Rounds {
		for _, p := range round.Passes {
			names[p.Drive] = true
		}
	}
	if len(names) != 2 {
		t.Errorf("drives of the passes = %v; want two", names)
	}
}

// Recovered errors are good sectors, and weak places.
func recoveredErrors(t *testing.T, g *guest, d []*usbDrive) {
	j := newJob(t, g, d[0], newDisc(t, cdSectors, cdSectors, 0), "5000-5003 error 1/17/01", "9000 error 1/18/00")
	r, _ := j.read("--to-the-end")
	r.is(exitDone)
	w := j.fetched()
	w.truthful()
	w.whole()
	m, err := mapfile.Open(filepath.Join(w.dir, "map.db"))
	if err != nil {
		t.Fatal(err)
	}
	var weak sector.Set
	for run := range m.Runs(0) {
		if run.Weak {
			weak.Add(run.Range)
		}
	}
	if !weak.Covers(sector.Span(5000, 4)) || !weak.Contains(9000) || weak.Count() > 3*60 {
		t.Errorf("weak = %v; want the requests that hold 5000-5003 and 9000", weak)
	}
}

// The last sectors of a CD can't be read. When the kernel itself finds that out it
// makes the device smaller; it is the same disc all the same.
func unreadableEnd(t *testing.T, g *guest, d []*usbDrive) {
	bad := sector.Span(cdSectors-10, 10)
	j := newJob(t, g, d[0], newDisc(t, cdSectors, cdSectors, 0), fmt.Sprintf("%d-%d error 3/11/05", bad.First, bad.End-1))
	r, _ := j.read("--only", fmt.Sprintf("0-%d", cdSectors/2-1))
	r.is(exitMissing)
	at := func(a sector.LBA) string { return fmt.Sprint(a.Offset()) }
	if r := g.reply(t, g.order(t, "raw", j.node, "2048", at(bad.First-5), at(bad.End))); !strings.Contains(r.Err, "pread at") {
		t.Errorf("a bare read of the end = %q; want that it fails", r.Err)
	}
	size := g.do(t, "sectors", j.node)
	if size == fmt.Sprint(cdSectors) {
		t.Errorf("the kernel still says %s sectors; the test shows little", size)
	}
	j.seen = len(d[0].log())
	r, _ = j.read("--to-the-end")
	r.is(exitMissing)
	t.Logf("the kernel says %s sectors of %d; %v are bad", size, cdSectors, j.listed("bad"))
	j.lists("bad", bad)
	if got := r.status().Disc.Sectors; got != cdSectors {
		t.Errorf("sectors of the disc = %d; want %d", got, cdSectors)
	}
	d[0].tell("clear")
	r, _ = j.read("--again", "--to-the-end")
	r.is(exitDone)
	w := j.fetched()
	w.truthful()
	w.whole()
}

// A thousand failing blocks of a DVD: one READ for each of them and setting.
func thousandFailingBlocks(t *testing.T, g *guest, d []*usbDrive) {
	const blocks, every = 1000, 48
	var faults []string
	var lost []sector.Range
	for i := range sector.LBA(blocks) {
		bad := i*every + 16 + i%16
		faults = append(faults, fmt.Sprintf("%d error 3/11/05", bad))
		lost = append(lost, sector.Range{First: bad, End: i*every + 32})
	}
	j := newJob(t, g, d[0], newDisc(t, dvdSectors, blocks*every, 0), faults...)
	for _, more := range [][]string{nil, {"--again", "--read-retry-count", "0"}} {
		args := append([]string{fmt.Sprintf("--only=0-%d", blocks*every-1), "--to-the-end"}, more...)
		r, log := j.read(args...)
		r.is(exitMissing)
		asked := map[sector.LBA]int{} // READs that failed in a block, by its number
		for _, q := range reads(log) {
			if q.sense != "ok" {
				asked[(q.read.First+sector.LBA(q.came))/16]++
			}
		}
		times := map[int]int{}
		for _, n := range asked {
			times[n]++
		}
		t.Logf("%v: %d READs, %.1f s; blocks by failing READs: %v", more, len(reads(log)), seconds(log), times)
		if times[1] != blocks || len(times) != 1 {
			t.Errorf("blocks by the number of their failing READs = %v; want %d with 1", times, blocks)
		}
		j.lists("bad", lost...)
		j.restored(log, len(more)/3)
	}
	j.fetched().truthful()
}
