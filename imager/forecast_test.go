package imager

import (
	"testing"

	"turnstone/device/sector"
	"turnstone/device/spiral"
	"turnstone/mapfile"
)

// A disc of which one ring fails, by samples: the forecast finds the ring where the
// track has it, and expects the rest to come.
func TestForecastFindsTheRing(t *testing.T) {
	const sectors, block, apart = 1_000_000, 16, 100 * 16
	track, err := spiral.Nominal("dvd", true, sectors)
	if err != nil {
		t.Fatal(err)
	}
	m := mapfile.New("x")
	m.AddRound(mapfile.Round{})
	m.AddDrive(mapfile.Drive{Node: "/dev/invented"})
	if err := m.SetDisc(mapfile.Disc{Kind: "dvd", Sectors: sectors, BlockSectors: block, Written: sector.Of(sector.Span(0, sectors))}); err != nil {
		t.Fatal(err)
	}
	if _, ok := ForecastOf(m); ok {
		t.Error("ForecastOf(nothing was read) is ok; want that nothing can be said")
	}
	n, err := m.AddPass(mapfile.Pass{Settings: []mapfile.Settings{{}}})
	if err != nil {
		t.Fatal(err)
	}
	inRing := 0.0
	for a := sector.LBA(0); a < sectors; a += block {
		bad := int(track.At(float64(a)).Radius) == 33
		if bad {
			inRing++
		}
		if a%apart != 0 {
			continue
		}
		run, sums := mapfile.Run{Range: sector.Span(a, block), Result: mapfile.Delivered, Attempts: 1}, make([]uint32, block)
		if bad {
			run.Result, sums = mapfile.Failed, nil
		}
		if _, err := m.Record(n, run, sums); err != nil {
			t.Fatal(err)
		}
	}
	f, ok := ForecastOf(m)
	if !ok {
		t.Fatal("ForecastOf(samples) is not ok; want a forecast")
	}
	if want := sectors - m.Count(mapfile.Good); f.Missing != want {
		t.Errorf("missing = %d; want %d", f.Missing, want)
	}
	for _, b := range f.Bands {
		// Samples at the ring's edges stand for both sides of them.
		switch inside := b.FromMM == 33; {
		case inside && b.Stopped < 0.5:
			t.Errorf("%.0f-%.0f mm: %.2f of the blocks are expected to fail; want most of them", b.FromMM, b.ToMM, b.Stopped)
		case (b.FromMM < 32 || b.FromMM > 34) && b.Stopped > 0.1:
			t.Errorf("%.0f-%.0f mm: %.2f of the blocks are expected to fail; want next to none", b.FromMM, b.ToMM, b.Stopped)
		}
	}
	if most := float64(f.Missing) - inRing*block/2; f.Readable > most || f.Readable < 0.8*most {
		t.Errorf("readable = %.0f; want about what lies outside of the ring, %.0f at most", f.Readable, most)
	}
	if w := f.Until; w.Soonest <= 0 || w.Latest <= w.Soonest || w.OneByOne <= w.Latest {
		t.Errorf("nine tenths within %v; want times, one after the other", w)
	}
	if f.HourHigh <= 360 {
		t.Errorf("an hour brings %.0f to %.0f; want more than after a pass that has left little", f.HourLow, f.HourHigh)
	}

	// The same by a pass that ended since little was left: an hour of it brings no more than
	// the sector in ten seconds for which it would have gone on.
	if err := m.SetPass(n, mapfile.Pass{Settings: []mapfile.Settings{{}}, How: HowLittleLeft}); err != nil {
		t.Fatal(err)
	}
	if f, ok := ForecastOf(m); !ok || f.HourLow != 0 || f.HourHigh != 360 {
		t.Errorf("after a pass that has left little an hour brings %.0f to %.0f, %v; want 0 to 360", f.HourLow, f.HourHigh, ok)
	}
}
