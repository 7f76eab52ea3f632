package main

import (
	"fmt"
	"testing"
	"time"

	"turnstone/device/scsi"
	"turnstone/device/sector"
)

// The whole program against real optical drives of a real kernel, as the bench has
// them. Each scenario has a drive and a case of its own, all in one machine. What was
// asked is told by the drives' own logs.
func TestOpticalDrives(t *testing.T) {
	if testing.Short() {
		t.Skip("takes minutes")
	}
	type scenario struct {
		drives []string
		run    func(t *testing.T, g *guest, d []*usbDrive)
	}
	hang, mains := scenario{[]string{"HANG"}, endlessHang}, scenario{[]string{"MAINS"}, mainsSwitch}
	clean := scenario{[]string{"CLEAN"}, cleanDisc}
	others := []scenario{
		{[]string{"SCRATCHED", "OTHER"}, twoRoundsTwoDrives},
		{[]string{"KILLED"}, settingsAfterAKill},
		{[]string{"STALL"}, stallThatPasses},
		{[]string{"UNPLUGGED"}, unplugged},
		{[]string{"SWAPPED"}, discSwapped},
		{[]string{"WEAK"}, recoveredErrors},
		{[]string{"LAST"}, unreadableEnd},
		{[]string{"RAW"}, rawWithoutParity},
		{[]string{"THOUSAND"}, thousandFailingBlocks},
		{[]string{"TRAY"}, trayAndSpindle},
	}
	var models []string
	for _, s := range append(others, hang, mains, clean) {
		models = append(models, s.drives...)
	}
	g, drives := bootGuest(t, models...)
	play := func(t *testing.T, s scenario, parallel bool) {
		t.Run(s.drives[0], func(t *testing.T) {
			if parallel {
				t.Parallel()
			}
			var mine []*usbDrive
			for _, m := range s.drives {
				drives[m].t = t
				mine = append(mine, drives[m])
			}
			s.run(t, g, mine)
		})
	}
	play(t, hang, true) // minutes in which nothing happens
	play(t, mains, true)
	t.Run("meanwhile", func(t *testing.T) {
		t.Parallel()
		play(t, clean, false) // it measures
		for _, s := range others {
			play(t, s, true)
		}
	})
}

// The discs of most scenarios: the rig's drives take one of up to 450,000 sectors for
// a CD, a larger one for a DVD, of which only the first sectors are read here.
const (
	cdSectors  = 20_000
	dvdSectors = 460_000

	cleanSectors = 60_000 // so many that beginning and end of a pass take little of it
)

// A clean disc: what was asked for is in the image. Its rate is reported beside that of
// bare reads, of the sizes that the kernel takes well, and of a loop that does nothing
// but what a pass can't do without; all in turn, since the host does other things too.
// It is a DVD: of a CD, which no drive reads half as fast, each sector is planned for by
// itself.
func cleanDisc(t *testing.T, g *guest, d []*usbDrive) {
	c := newDisc(t, dvdSectors, cleanSectors, 0)
	only := fmt.Sprintf("--only=0-%d", cleanSectors-1)
	j := newJob(t, g, d[0], c)
	sizes := []int{60, 96, 120} // KiB
	bare, program, loop := map[int]*rates{}, rates{}, rates{}
	for _, kib := range sizes {
		bare[kib] = &rates{}
	}
	timed := func(r *rates, do string, kib int) {
		var ns int64
		fmt.Sscan(g.do(t, do, j.node, fmt.Sprint(kib<<10), "0", fmt.Sprint(cleanSectors*sector.Size)), &ns)
		r.add(cleanSectors, time.Duration(ns).Seconds())
	}
	for range 3 {
		for _, kib := range sizes {
			timed(bare[kib], "raw", kib)
		}
		timed(&loop, "copy", 96)
		j.anew()
		r, log := j.read(only, "--to-the-end")
		r.is(exitMissing)
		j.lists("good", sector.Span(0, cleanSectors))
		program.add(cleanSectors, seconds(log))
		if n := len(sent(log, scsi.OpModeSelect10)); n > 0 {
			t.Errorf("MODE SELECT commands on a clean disc = %d; want 0", n)
		}
	}
	best := 0.0
	for _, kib := range sizes {
		t.Logf("O_DIRECT, %3d KiB a request: %v", kib, bare[kib])
		best = max(best, bare[kib].median())
	}
	t.Logf("a loop that reads so, works out checksums and writes an image: %v, %.2f of the best", loop, loop.median()/best)
	t.Logf("turnstone read: %v, %.2f of the best, %.2f of that loop", program, program.median()/best, program.median()/loop.median())
	j.fetched().truthful()
}
