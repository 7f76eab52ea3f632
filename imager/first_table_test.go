package imager

import (
	"encoding/binary"
	"flag"
	"os"
	"slices"
	"testing"
	"time"

	"turnstone/device/sector"
	vt "turnstone/imager/volume/volumetest"
)

// turnsOn names a scenario file of a whole DVD, of which it is to be measured what films
// first brings and costs: go test ./imager -run TurnsTable -v -turns ../testdata/…
var turnsOn = flag.String("turns", "", "measure what films first brings on the disc of a scenario `FILE`")

// TestTurnsTable reads a disc, two thirds of which are films, with films first and by the
// surface alone, in virtual time.
func TestTurnsTable(t *testing.T) {
	if *turnsOn == "" {
		t.Skip("-turns names no scenario")
	}
	scenario, err := os.ReadFile(*turnsOn)
	if err != nil {
		t.Fatal(err)
	}
	one := []byte{1}
	data := vt.ISO(nil, vt.File{Dir: true, Children: []vt.File{
		{Name: "VIDEO_TS", Dir: true, Children: []vt.File{{Name: "VTS_01_1.VOB", Data: one}, {Name: "VTS_01_0.BUP", Data: one}}},
		{Name: "PHOTOS.ZIP", Data: one}}}, vt.ISOOptions{})
	films := sector.Span(1000, 1_500_000)
	place(t, data, "VTS_01_1.VOB;1", films)
	place(t, data, "VTS_01_0.BUP;1", sector.Span(1_600_000, 100))
	place(t, data, "PHOTOS.ZIP;1", sector.Span(1_700_000, 300_000))
	for _, bySurface := range []bool{false, true} {
		drive, m := simulatedBy(t, string(scenario), data, Reading{BySurface: bySurface, CheckpointTime: time.Hour})
		all, ofFilms := drive.times(whole(m.Disc().Sectors)), drive.times(films)
		t.Logf("by the surface alone: %v; all: 90 %% after %.0f s, 99 %% after %.0f s, mean %.0f s; films: 90 %% after %.0f s, 99 %% after %.0f s, mean %.0f s; %s after %.0f s",
			bySurface, all.share(.9), all.share(.99), all.mean(), ofFilms.share(.9), ofFilms.share(.99), ofFilms.mean(), m.Passes()[0].How, drive.Now().Seconds())
	}
}

// place puts the file of a record somewhere else (ECMA-119 9.1).
func place(t *testing.T, data []byte, name string, to sector.Range) {
	t.Helper()
	for i := 34; i+len(name) < len(data); i++ {
		if r := data[i-33:]; string(data[i:i+len(name)]) == name && int(r[32]) == len(name) {
			for at, n := range map[int]int64{2: int64(to.First), 10: to.Bytes()} {
				binary.LittleEndian.PutUint32(r[at:], uint32(n))
				binary.BigEndian.PutUint32(r[at+4:], uint32(n))
			}
			return
		}
	}
	t.Fatalf("the disc has no %s", name)
}

// arrivals is when sectors came, in seconds, in order.
type arrivals []float64

// times is when the sectors of a range came.
func (d *clocked) times(r sector.Range) (all arrivals) {
	for _, a := range d.came {
		for range a.Intersect(r).Count() {
			all = append(all, a.at.Seconds())
		}
	}
	slices.Sort(all)
	return all
}

func (a arrivals) share(p float64) float64 { return a[int(float64(len(a)-1)*p)] }

func (a arrivals) mean() float64 {
	sum := 0.0
	for _, x := range a {
		sum += x
	}
	return sum / float64(len(a))
}
