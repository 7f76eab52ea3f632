package marks

import "math"

// window is a stretch of the track in which blocks failed and others came. In it a
// mark keeps to its angle, so what came and what failed has a period of one turn. Its
// power at a period is the square of the sum of what was seen, less the mean, each
// turned by its angle, and by twice its angle and so on, since marks are not sines:
//
//	power(d) = Σ weight(h) · (|Σ y·exp(2πi·h·turn(d))|² / Σ y² − 1)
//
// y: 1 failed, 0 came, less their mean; d: share by which a turn holds more blocks.
// It is 0 for failures at random and grows with the number of sights that line up.
type window struct {
	at    float64   // block in its middle
	power []float64 // by share, from −reach to reach in even steps
}

// search is how the period is looked for: in windows of so many turns, in steps.
type search struct{ turns, step, reach float64 }

func (s search) steps() int { return 2*int(math.Round(s.reach/s.step)) + 1 }

// harmonics weigh a turn, half a turn and so on.
var harmonics = [...]float64{1, .6, .4, .3}

const mostSights = 500 // of a window

// windows are those of a leg, by what was seen of its blocks; each reaches half over
// the one before it.
func (l *leg) windows(seen []uint8, s search) []window {
	var all []window
	for first := 0; first < l.blocks; {
		end := min(first+1+int(s.turns*l.perTurn(float64(first))), l.blocks)
		if w, ok := l.window(seen, first, end, s); ok {
			all = append(all, w)
		}
		first += (end - first + 1) / 2
	}
	return all
}

// window is that of some blocks; not ok where too few failed or came.
func (l *leg) window(seen []uint8, first, end int, s search) (window, bool) {
	total, bad := 0, 0.0
	for _, v := range seen[first:end] {
		switch v {
		case failed:
			bad++
			fallthrough
		case came:
			total++
		}
	}
	if bad < 3 || float64(total)-bad < 3 {
		return window{}, false
	}
	type sight struct{ turn, y float64 }
	var kept []sight
	w := window{at: float64(first+end) / 2, power: make([]float64, s.steps())}
	mid := l.turn(w.at)
	bad = 0
	for k := first; k < end; k++ {
		// Multiplied by 2^32 over the golden ratio: spread without a period.
		if seen[k] == unseen || int(uint32(k)*2654435769>>8)%total >= mostSights {
			continue
		}
		y := 0.0
		if seen[k] == failed {
			y = 1
			bad++
		}
		kept = append(kept, sight{l.turn(float64(k)) - mid, y})
	}
	mean := bad / float64(len(kept))
	spread := bad * (1 - mean)
	if spread < 1 {
		return window{}, false
	}
	sum := make([][2 * len(harmonics)]float64, len(w.power))
	lo := -float64(len(sum)/2) * s.step
	for _, x := range kept {
		y := x.y - mean
		// A turn that holds more blocks by a share d makes turns fewer by d.
		im, re := math.Sincos(2 * math.Pi * x.turn * (1 - lo))
		dim, dre := math.Sincos(-2 * math.Pi * x.turn * s.step)
		for i := range sum {
			a, b := y*re, y*im
			at := &sum[i]
			for h := range harmonics {
				at[2*h] += a
				at[2*h+1] += b
				a, b = a*re-b*im, a*im+b*re
			}
			re, im = re*dre-im*dim, re*dim+im*dre
		}
	}
	for i := range sum {
		for h, weight := range harmonics {
			re, im := sum[i][2*h], sum[i][2*h+1]
			w.power[i] += weight * ((re*re+im*im)/spread - 1)
		}
	}
	return w, true
}

// worth is a window's say at a share d.
func (w *window) worth(d float64, s search) float64 {
	n := len(w.power)
	return w.power[min(max(0, int(math.Round(d/s.step))+n/2), n-1)]
}

// outlier is the chance that what a window holds drifts in angle by itself: a scratch
// that runs aslant, or two marks that take turns. temper allows for marks whose
// shapes are not what the power takes them for. Both are chosen by trial on simulated
// discs (test flag -campaign).
const (
	outlier = .05
	temper  = .3
)

// vote makes a window's power its say in a vote: the logarithm of the likelihood of a
// share, in which no window can say more than that it is against.
func (w *window) vote() {
	top := 0.0
	for _, p := range w.power {
		top = max(top, p)
	}
	for i, p := range w.power {
		w.power[i] = math.Log(outlier + (1-outlier)*math.Exp(temper*(p-top)))
	}
}
