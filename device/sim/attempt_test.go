package sim

import (
	"fmt"
	"math"
	"math/rand/v2"
	"testing"
)

// Both ways of decoding are asked about the same failed rows.
//
// They differ where a row with more than 5 wrong bytes happens to be taken for
// another code word by the inner code, about once in 700 rows, and the decoder does
// not find that out: quick counts it as an erasure, which it was not. So of blocks
// with up to 16 failed rows less than 1 % may be lost by the real code, and of the
// others no sector may come that quick gives up, and less than 1 % of the sectors
// that it has be missing.
func TestRealAndQuickAgree(t *testing.T) {
	d := disc(t)
	coded := newCoding(d)
	r := rand.New(rand.NewPCG(5, 5))
	const bound = 0.01
	var whole, wholeLost, sectors, sectorsLost float64
	for i := range 400 {
		var failed [blockRows]bool
		want := r.IntN(17)
		if i%2 == 1 {
			want = 17 + r.IntN(60)
		}
		if i%4 < 2 { // a run, as marks make them
			first := r.IntN(blockRows - want + 1)
			for j := range want {
				failed[first+j] = true
			}
		} else {
			for _, row := range r.Perm(blockRows)[:want] {
				failed[row] = true
			}
		}
		b := r.Int64N(d.scenario.Blocks())
		quick := counting{}.decode(b, &failed, want, 0)
		real := coded.decode(b, &failed, want, newStream(forDamage, uint64(i)))
		if extra := real &^ quick; extra != 0 {
			t.Errorf("case %d, %d rows: the code gives sectors %016b that were counted out", i, want, extra)
		}
		if quick == allSectors {
			whole++
			if real != allSectors {
				wholeLost++
			}
			continue
		}
		for s := range blockSectors {
			if quick>>s&1 == 1 {
				sectors++
				if real>>s&1 == 0 {
					sectorsLost++
				}
			}
		}
	}
	if wholeLost/whole > bound || sectorsLost/sectors > bound {
		t.Errorf("the code loses %v of %v blocks and %v of %v sectors that were counted in; want less than %v of them",
			wholeLost, whole, sectorsLost, sectors, bound)
	}
	if whole != 200 || sectors < 500 {
		t.Errorf("%v whole blocks and %v sectors to compare; want more", whole, sectors)
	}
}

// A drive that decodes for real delivers what one that counts does.
func TestRealAndQuickDrivesAgree(t *testing.T) {
	s, err := Load("../../testdata/scenarios/scratched.json")
	if err != nil {
		t.Fatal(err)
	}
	d, err := New(s)
	if err != nil {
		t.Fatal(err)
	}
	run := func(real bool) (good []int64) {
		v := open(t, d, Opening{Real: real})
		for b := int64(0); b < s.Blocks(); b += 13 {
			_, c := v.ask(block(b))
			good = append(good, c.Good)
		}
		return good
	}
	quick, real := run(false), run(true)
	differ := 0
	for i := range quick {
		if quick[i] != real[i] {
			differ++
		}
	}
	if differ > len(quick)/100 {
		t.Errorf("%d of %d reads deliver other sectors; want 1 %% of them at most", differ, len(quick))
	}
}

// Rows fail as often as they should, together as they should, and blocks come as
// often as their chance says. The bounds are four standard deviations; the draws
// are always the same.
func TestAttemptsFollowTheChances(t *testing.T) {
	var light rows
	for i := range light {
		light[i] = 1
	}
	for i := range 44 {
		light[60+i] = 0.40 + 0.004*float64(i)
	}
	spec := DriveSpec{Margin: 0.45, Noise: 0.06}
	var o odds
	light.odds(spec.Margin, spec.Noise, &o)
	const n = 20_000
	var rowsFailed [blockRows]float64
	var whole, both float64
	for i := range uint64(n) {
		var failed [blockRows]bool
		if failing(&o, newStream(forNoise, i), &failed) <= outerRows {
			whole++
		}
		for j, f := range failed {
			if f {
				rowsFailed[j]++
			}
		}
		if failed[80] && failed[81] {
			both++
		}
	}
	check := func(what string, got, p float64) {
		t.Helper()
		if math.Abs(got-n*p) > 4*math.Sqrt(n*p*(1-p)) {
			t.Errorf("%s: %v of %d; want about %.1f", what, got, n, n*p)
		}
	}
	for j := range rowsFailed {
		check(fmt.Sprintf("row %d fails", j), rowsFailed[j], o[j])
	}
	// Rows of a pair share the draw: the darker fails whenever the other does.
	check("rows 80 and 81 fail", both, o[81])
	p := o.delivered()
	if p < 0.05 || p > 0.95 {
		t.Fatalf("chance = %v; the test wants one that shows", p)
	}
	check("the block comes", whole, p)
}

func TestLeadingSectors(t *testing.T) {
	for _, test := range []struct {
		a    attempt
		from int
		want int64
	}{
		{0, 0, 0}, {1, 0, 1}, {0b1011, 0, 2}, {0b1011, 2, 0}, {0b1011, 3, 1}, {allSectors, 0, 16}, {allSectors, 5, 11}, {allSectors, 15, 1},
	} {
		if got := test.a.leading(test.from); got != test.want {
			t.Errorf("%016b.leading(%d) = %d; want %d", test.a, test.from, got, test.want)
		}
	}
}

// The outer parity's rows hold no sector.
func TestCountingRows(t *testing.T) {
	var failed [blockRows]bool
	for s := range blockSectors {
		failed[s*frameRows+12] = true
	}
	if got := (counting{}).decode(0, &failed, 17, 0); got != allSectors {
		t.Errorf("all rows of outer parity failed: %016b; want all sectors", got)
	}
	failed[5*frameRows] = true
	if got := (counting{}).decode(0, &failed, 17, 0); got != allSectors&^(1<<5) {
		t.Errorf("and a row of sector 5: %016b; want all but that", got)
	}
	if got := (counting{}).decode(0, &failed, 16, 0); got != allSectors {
		t.Errorf("16 rows: %016b; want all sectors", got)
	}
}

func TestSpoil(t *testing.T) {
	for i := range uint64(2000) {
		row := make([]byte, 182)
		spoil(row, i%2 == 0, newStream(forDamage, i))
		wrong := 0
		for _, b := range row {
			if b != 0 {
				wrong++
			}
		}
		if failed := i%2 == 0; failed && wrong != 182 || !failed && wrong > 5 {
			t.Fatalf("a row with failed = %v has %d wrong bytes; want all where it failed, else up to 5", failed, wrong)
		}
	}
}
