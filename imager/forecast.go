package imager

import (
	"maps"
	"slices"
	"time"

	"turnstone/device/sector"
	"turnstone/imager/plan"
	"turnstone/mapfile"
	"turnstone/mapfile/chart"
)

// Forecast is what the model of a disc's surface expects, by what was read of it in
// its last round. Each figure is an expectation, not a promise: marks that nobody has
// met yet are not in it.
type Forecast struct {
	Missing  int64          // sectors of the written area
	Readable float64        // sectors of them that one more asking brings
	Until    plan.Lasts     // nine tenths of the readable ones are there; 0 where none is
	HourLow  float64        // sectors that an hour more with this drive should bring at least,
	HourHigh float64        // and at most; both 0 where nothing is left to ask it for
	Bands    []ForecastBand // by millimetre of radius, from the inside out
}

// ForecastBand is a millimetre of radius.
type ForecastBand struct {
	FromMM, ToMM float64
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
	model := plan.Look(task)
	f.Missing = d.Written.Count() - m.Count(mapfile.Good)
	f.Readable, _ = model.Outlook(longest)
	if f.Readable >= 1 {
		f.Until = model.Until()
	}
	f.HourLow, f.HourHigh = model.Between(time.Hour)
	if lastEnded(m, task.Drive) == HowLittleLeft { // the pass that learnt it knew more of the drive than its records tell
		f.HourLow, f.HourHigh = 0, min(f.HourHigh, plan.LittleAnHour)
	}
	f.Bands = bandsOf(model, shape, sector.LBA(max(1, d.BlockSectors)))
	return f, true
}

// bandsOf is what a model expects of each millimetre of radius, all layers together.
func bandsOf(model *plan.Plan, shape chart.Disc, block sector.LBA) []ForecastBand {
	type band struct{ blocks, stopped float64 }
	bands := map[int]band{}
	for _, l := range shape.Layers {
		r := l.Track.Layer(l.Index)
		for a := r.First; a < r.End; a += block {
			mm := int(l.Track.At(float64(a)).Radius)
			b := bands[mm]
			bands[mm] = band{b.blocks + 1, b.stopped + 1 - model.Chance(a)}
		}
	}
	var all []ForecastBand
	for _, mm := range slices.Sorted(maps.Keys(bands)) {
		b := bands[mm]
		all = append(all, ForecastBand{float64(mm), float64(mm) + 1, b.stopped / b.blocks})
	}
	return all
}
