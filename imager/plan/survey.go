package plan

import (
	"cmp"
	"fmt"
	"math"
	"slices"
)

// bySample is the order of a survey: single blocks, spread so that they see
// radius and angle evenly, in batches that run outwards over the disc. Sample k
// lies at the fraction part of k·φ of what may be asked for, φ being the golden
// ratio: no two are evenly spaced, so no period of the disc's hides between them.
// From the second batch on half of the samples go where the model is least sure,
// unless they are all to be spread evenly.
type bySample struct {
	*byPlace
	may   []int64 // blocks
	most  int     // samples in all
	asked int
	k     int     // next point of the golden sequence
	batch []int64 // left of the one in hand
	even  bool    // all samples are spread evenly
	first bool
}

const (
	batchSize  = 64
	candidates = 512 // points looked at for the unsure half of a batch
)

func newBySample(s *byPlace, most int64, even bool) *bySample {
	o := &bySample{byPlace: s, even: even, first: true}
	for b, st := range s.state {
		if st == open && !s.single[b] {
			o.may = append(o.may, int64(b))
		}
	}
	o.most = int(min(most, int64(len(o.may))))
	s.retries, s.sweeping = s.tries.Least, true // a failure does not end the batch
	return o
}

func (o *bySample) next(idle bool) (Request, Step) {
	for {
		for len(o.batch) > 0 && o.state[o.batch[0]] != open {
			o.batch = o.batch[1:]
		}
		switch {
		case len(o.batch) > 0 && o.asked < o.most:
			b := o.batch[0]
			o.batch = o.batch[1:]
			o.asked++
			o.close(b, 1)
			o.why = fmt.Sprintf("sampling the surface: %d of %d", o.asked, o.most)
			return o.request(o.sectors(b)), Ask
		case o.asked < o.most && o.k < 64*len(o.may):
			o.fill()
		case idle:
			return Request{}, Done
		default:
			return Request{}, Wait
		}
	}
}

// point is the next block of the golden sequence.
func (o *bySample) point() int64 {
	o.k++
	_, x := math.Modf(float64(o.k) * (math.Sqrt(5) - 1) / 2)
	return o.may[int(x*float64(len(o.may)))]
}

// fill makes a batch.
func (o *bySample) fill() {
	even := batchSize
	if !o.first && !o.even {
		even /= 2
		o.refresh()
		type doubt struct {
			block  int64
			spread float64
		}
		var all []doubt
		w := o.walker(0)
		for range candidates {
			b := o.point()
			if o.state[b] == open {
				chance := w.look(b).chance
				all = append(all, doubt{b, chance * (1 - chance)})
			}
		}
		slices.SortStableFunc(all, func(a, b doubt) int { return cmp.Compare(b.spread, a.spread) })
		for _, x := range all[:min(len(all), batchSize/2)] {
			o.batch = append(o.batch, x.block)
		}
	}
	for range even {
		o.batch = append(o.batch, o.point())
	}
	o.first = false
	slices.Sort(o.batch)
	o.batch = slices.Compact(o.batch)
}

func (o *bySample) ended() End {
	return End{How: complete, Why: fmt.Sprintf("%d samples were taken", o.asked)}
}

// samples limits a survey to one in a hundred blocks.
func samples(most, blocks int64) int64 { return min(most, max(1, blocks/100)) }
