package main

import (
	"fmt"
	"testing"

	"turnstone/device/sector"
)

// A drive that gives raw sectors of a CD with the right header, and with zeros where EDC
// and parity should be: nothing proves them, and none becomes good, though all of their
// data is right. What it gives silently wrong neither.
func rawWithoutParity(t *testing.T, g *guest, d []*usbDrive) {
	lost := sector.Span(5000, 6)
	var faults []string
	for a := lost.First; a < lost.End; a++ {
		// Each fails as often as READ asks for it, in company and alone, and comes then.
		faults = append(faults, fmt.Sprintf("%d error 3/11/05 2", a))
	}
	garbled := sector.Span(9000, 2)
	faults = append(faults, fmt.Sprintf("%d-%d garble", garbled.First, garbled.End-1), "9000 error 3/11/05 2", "9001 error 3/11/05 2")
	j := newJob(t, g, d[0], newDisc(t, cdSectors, cdSectors, 0), faults...)
	r, log := j.read("--to-the-end", "--read-retry-count", "0")
	r.is(exitMissing)
	var raw sector.Set
	for _, q := range reads(log) {
		if q.raw > 0 {
			raw.Add(q.read)
		}
	}
	bad := j.listed("bad")
	asked := raw.Intersect(&bad)
	t.Logf("bad: %v; of them read raw, with data: %v", bad, asked)
	if asked.Count() < 2 {
		t.Errorf("sectors that came raw and are bad = %v; want some, or the test shows nothing", asked)
	}
	if proven := raw.Subtract(&bad); !proven.Empty() {
		t.Errorf("sectors %v came raw, without any code, and are good", proven)
	}
	if n := r.status().Repaired; n != 0 {
		t.Errorf("sectors put together = %d; want 0", n)
	}
	j.fetched().truthful()
}
