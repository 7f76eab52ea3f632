package imager

import (
	"math"
	"time"

	"turnstone/device/sector"
	"turnstone/imager/plan"
	"turnstone/mapfile"
)

// Forecast is what the model of a disc's surface expects, by what was read of it in
// its last round. Each figure is an expectation, not a promise: marks that nobody has
// met yet are not in it.
type Forecast struct {
	Missing         int64          // sectors of the written area
	Readable, Doubt float64        // sectors of them that one more asking brings, and its standard deviation if blocks fared independently
	Hour            float64        // sectors that the next hour of reading brings
	Most            time.Duration  // until nine tenths of the readable ones are there; 0 where none is
	Bands           []ForecastBand // by millimetre of radius, from the inside out
}

// ForecastBand is a millimetre of radius.
type ForecastBand struct {
	FromMM, ToMM float64
	Missing      int64   // sectors
	Stopped      float64 // share of its blocks that are expected to fail
}

// longest is as far as a forecast of time looks.
const longest = 1000 * time.Hour

// ForecastOf works a case's forecast out. Not ok is returned where nothing can be
// said: the disc's geometry is not known, or nothing was read in the last round.
func ForecastOf(m *mapfile.Map) (f Forecast, ok bool) {
	d := m.Disc()
	shape := shapeOf(d)
	task := modelOf(m, len(m.Rounds())-1)
	if len(shape.Layers) == 0 || task.Drive < 0 {
		return f, false
	}
	task.Again = false
	model := plan.Look(task)
	f.Missing = d.Written.Count() - m.Count(mapfile.Good)
	f.Readable, f.Doubt = model.Outlook(longest)
	f.Hour, _ = model.Outlook(time.Hour)
	if f.Readable >= 1 {
		f.Most = until(func(t time.Duration) bool {
			n, _ := model.Outlook(t)
			return n >= 0.9*f.Readable
		})
	}
	block := max(1, d.BlockSectors)
	type band struct {
		missing, blocks int64
		stopped         float64
	}
	bands := map[int]*band{}
	for _, l := range shape.Layers {
		r := l.Track.Layer(l.Index)
		for a := r.First; a < r.End; a += sector.LBA(block) {
			mm := int(l.Track.At(float64(a)).Radius)
			b := bands[mm]
			if b == nil {
				b = &band{}
				bands[mm] = b
			}
			b.blocks++
			b.stopped += 1 - model.Chance(a)
		}
	}
	for part := range Missing(m) {
		for a := part.First; a < part.End; a++ {
			if b := bands[int(shape.Layers[0].Track.At(float64(a)).Radius)]; b != nil {
				b.missing++
			}
		}
	}
	for mm := range 61 {
		if b := bands[mm]; b != nil {
			f.Bands = append(f.Bands, ForecastBand{float64(mm), float64(mm) + 1, b.missing, b.stopped / float64(b.blocks)})
		}
	}
	return f, true
}

// until is the least time, to a tenth, for which something holds that holds from
// some time on.
func until(holds func(time.Duration) bool) time.Duration {
	lo, hi := time.Second, longest
	for hi > lo+lo/10 {
		mid := time.Duration(math.Sqrt(float64(lo) * float64(hi)))
		if holds(mid) {
			hi = mid
		} else {
			lo = mid
		}
	}
	return hi
}
