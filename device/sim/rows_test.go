package sim

import (
	"fmt"
	"math"
	"math/rand/v2"
	"testing"

	"turnstone/device/sector"
)

// slowDelivered tries out every way in which the pairs can come out.
func slowDelivered(o *odds) float64 {
	var try func(pair, failed int, p float64) float64
	try = func(pair, failed int, p float64) float64 {
		if p == 0 {
			return 0
		}
		if pair == blockRows/2 {
			if failed > 16 {
				return 0
			}
			return p
		}
		both, one := min(o[2*pair], o[2*pair+1]), max(o[2*pair], o[2*pair+1])
		return try(pair+1, failed, p*(1-one)) + try(pair+1, failed+1, p*(one-both)) + try(pair+1, failed+2, p*both)
	}
	return try(0, 0, 1)
}

func TestDeliveredIsExact(t *testing.T) {
	r := rand.New(rand.NewPCG(3, 3))
	for i := range 300 {
		var o odds
		for range r.IntN(9) { // pairs that may fail
			p := r.IntN(blockRows / 2)
			o[2*p], o[2*p+1] = r.Float64(), r.Float64()
		}
		for range r.IntN(22) { // rows that do
			o[r.IntN(blockRows)] = 1
		}
		if got, want := o.delivered(), slowDelivered(&o); !near(got, want, 1e-12) {
			t.Fatalf("case %d: delivered() = %v; want %v", i, got, want)
		}
	}
}

func TestDeliveredAtTheLimit(t *testing.T) {
	for failed := range 20 {
		var o odds
		for i := range failed {
			o[11*i%blockRows] = 1
		}
		want := 1.0
		if failed > 16 {
			want = 0
		}
		if got := o.delivered(); got != want {
			t.Errorf("%d rows fail: chance = %v; want %v", failed, got, want)
		}
	}
}

func TestLosingTheTrack(t *testing.T) {
	for _, test := range []struct {
		name string
		dark []int
		want bool
	}{
		{"none", nil, false},
		{"three running", []int{5, 6, 7}, false},
		{"four apart", []int{5, 6, 7, 9}, false},
		{"four running", []int{5, 6, 7, 8}, true},
		{"at the start", []int{0, 1, 2, 3}, true},
		{"at the end", []int{204, 205, 206, 207}, true},
		{"around the end", []int{206, 207, 0, 1}, false},
	} {
		var r rows
		for i := range r {
			r[i] = 0.25 // just seen
		}
		for _, i := range test.dark {
			r[i] = 0.249
		}
		if got := r.blind(0.25); got != test.want {
			t.Errorf("%s: blind() = %v; want %v", test.name, got, test.want)
		}
		if c := r.chance(&DriveSpec{Servo: 0.25, Margin: 0.1, Noise: 0.01}); c.Lost != test.want {
			t.Errorf("%s: chance() = %+v; want lost: %v", test.name, c, test.want)
		}
	}
}

// At 2x the margin is a little lower, so that more comes.
func TestSlowReadsMore(t *testing.T) {
	var r rows
	for i := range r {
		r[i] = 0.53
	}
	c := r.chance(&DriveSpec{Servo: 0.25, Margin: 0.45, Noise: 0.06})
	if !(0 < c.Usual && c.Usual < c.Slow && c.Slow < 1) {
		t.Errorf("chances = %+v; want the slow one higher", c)
	}
	faster := r.chance(&DriveSpec{Servo: 0.25, Margin: 0.44, Noise: 0.06})
	if faster.Usual != c.Slow {
		t.Errorf("chance with a margin of 0.44 = %v, at 2x with 0.45 = %v; want the same", faster.Usual, c.Slow)
	}
}

// What NIST SP 500-252, section 5.2.1, tells of scratches, as a secondary source
// reports it: one from the hub outwards hardly harms, one along the track does.
// The numbers are the model's; another program that follows the same rules found
// 0.5 % of a million sectors unreadable for the second.
func TestRadialScratchesAreHarmless(t *testing.T) {
	for _, inner := range []float64{24, 40, 56} {
		for _, test := range []struct {
			name, mark string
			width      float64
			harms      bool
		}{
			{"radial", `{"scratch": {"points_mm": [[%[1]v, 0], [%[2]v, 0]], "width_mm": %[3]v, "depth_um": 30}}`, 0.3, false},
			{"along the track", `{"arc": {"r_mm": %[4]v, "from_deg": 0, "to_deg": %[5]v, "width_mm": %[3]v, "depth_um": 30}}`, 0.3, true},
			{"radial", `{"scratch": {"points_mm": [[%[1]v, 0], [%[2]v, 0]], "width_mm": %[3]v, "depth_um": 30}}`, 0.2, false},
			{"along the track", `{"arc": {"r_mm": %[4]v, "from_deg": 0, "to_deg": %[5]v, "width_mm": %[3]v, "depth_um": 30}}`, 0.2, false},
		} {
			middle := inner + 0.3
			mark := fmt.Sprintf(test.mark, inner-1, inner+3, test.width, middle, 20/middle*180/math.Pi)
			d := disc(t, `"sectors": 48000`, fmt.Sprintf(`"sectors": 48000, "inner_mm": %v`, inner), `"drives"`, `"marks": [`+mark+`], "drives"`)
			bad := 0
			for b := range d.scenario.Blocks() {
				if !d.AppendChances(nil, 0, b)[0].Readable() {
					bad++
				}
			}
			switch share := float64(bad) / (1_000_000 / 16); {
			case !test.harms && bad > 0:
				t.Errorf("%s at %v mm, %v mm wide: %d blocks unreadable; want none", test.name, inner, test.width, bad)
			case test.harms && (share < 0.003 || share > 0.008):
				t.Errorf("%s at %v mm, %v mm wide: %d blocks unreadable; want 0.5 %% of a million sectors", test.name, inner, test.width, bad)
			}
		}
	}
}

// Rows lie where the track has them: a mark across one row dims that row.
func TestRowsLieInOrder(t *testing.T) {
	d := disc(t)
	var clean rows
	d.light(d.grounds[0], 7, &clean)
	for i, v := range clean {
		if v != 1 {
			t.Fatalf("row %d of a clean block gets %v; want 1", i, v)
		}
	}
	for _, row := range []int{0, 12, 13, 103, 207} {
		x, y := d.track.At(7*16 + (float64(row)+0.5)/13).XY()
		d := disc(t, marked(fmt.Sprintf(`{"blot": {"at_mm": [%v, %v], "radius_mm": 0.05}}`, x, y))...)
		var got rows
		d.light(d.grounds[0], 7, &got)
		for i, v := range got {
			if want := 1 - 0.05*0.05/(d.beams[0]*d.beams[0]); i == row && !near(v, want, 1e-6) {
				t.Errorf("blot on row %d: it gets %v; want %v", row, v, want)
			} else if far := i < row-1 || i > row+1; far && v != 1 {
				t.Errorf("blot on row %d: row %d gets %v; want 1", row, i, v)
			}
		}
	}
}

func TestChancesOutsideTheDisc(t *testing.T) {
	d := disc(t)
	for _, test := range []struct {
		round int
		block int64
	}{{-1, 0}, {1, 0}, {0, -1}, {0, 3000}} {
		if got := d.AppendChances(nil, test.round, test.block); len(got) != 0 {
			t.Errorf("AppendChances(round %d, block %d) = %v; want none", test.round, test.block, got)
		}
	}
	if got := block(2); got != (sector.Range{First: 32, End: 48}) {
		t.Errorf("block(2) = %v; want 32+16", got)
	}
}
