package sim

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"turnstone/device"
	"turnstone/device/devicetest"
	"turnstone/device/sector"
)

var (
	_ device.Reader   = (*Drive)(nil)
	_ device.Setter   = (*Drive)(nil)
	_ device.Reopener = (*Drive)(nil)
)

// driven is a drive whose commands a test watches.
type driven struct {
	*Drive
	t    testing.TB
	last Command
}

func open(t testing.TB, d *Disc, o Opening) *driven {
	t.Helper()
	v := &driven{t: t}
	o.Watch = func(c Command) { v.last = c }
	drive, err := d.Open(o)
	if err != nil {
		t.Fatal(err)
	}
	v.Drive = drive
	t.Cleanup(func() { drive.Close() })
	return v
}

// ask asks for a range and takes the answer.
func (v *driven) ask(r sector.Range) (device.Answer, Command) {
	v.t.Helper()
	if err := v.Ask(r); err != nil {
		v.t.Fatalf("Ask(%v) = %v; want nil", r, err)
	}
	a, err := v.Answer(context.Background())
	if err != nil {
		v.t.Fatalf("Answer() = %v; want the answer to %v", err, r)
	}
	if a.Took != v.last.End-v.last.Start || a.Good() != v.last.Good || v.last.Range != r || v.Now() != v.last.End {
		v.t.Fatalf("answer to %v took %v with %d sectors, the command %+v; want the same", r, a.Took, a.Good(), v.last)
	}
	return a, v.last
}

func retries(n uint8) device.Settings { return device.Settings{Retries: &n} }

// A drive that reads all that it does not lose the track in, and a blot.
const (
	keen   = `{"name": "A", "partial": true, "margin": 0, "stall": {"chance": 0}}`
	drive0 = `{"name": "A", "partial": true}`
	blot   = `{"blot": {"at_mm": [-24.6, 0], "radius_mm": 0.8}}`
)

func TestConformance(t *testing.T) {
	d := disc(t, append(marked(blot), drive0, keen)...)
	content := func(a sector.LBA, buf []byte) {
		if err := d.content.read(a, buf); err != nil {
			t.Error(err)
		}
	}
	var bad []devicetest.Bad
	for b := range d.scenario.Blocks() {
		c := d.AppendChances(nil, 0, b)[0]
		switch n := len(bad); {
		case !c.Lost && c.Usual != 1:
			t.Fatalf("block %d has the chances %+v; want 1 or a lost track", b, c)
		case c.Lost && n > 0 && bad[n-1].Range.End == block(b).First:
			bad[n-1].Range.End = block(b).End
		case c.Lost:
			bad = append(bad, devicetest.Bad{Range: block(b), Class: device.Track})
		}
	}
	if len(bad) < 20 {
		t.Fatalf("%d places where the track is lost; want more", len(bad))
	}
	devicetest.Run(t, func(t *testing.T) device.Reader { return open(t, d, Opening{}) },
		devicetest.Disc{Content: content, Bad: bad})
}

// A scratch along the track that no row under it survives, one that some do, and
// drives whose noise is next to nothing.
const (
	ring      = `{"arc": {"r_mm": 24.6, "from_deg": 100, "to_deg": 160, "width_mm": 1, "depth_um": 12.6}}`
	faint     = `{"arc": {"r_mm": 24.6, "from_deg": 100, "to_deg": 160, "width_mm": 1, "depth_um": 9}}`
	noiseless = `{"name": "A", "noise": 0.0001, "partial": true}, {"name": "B", "noise": 0.0001}`
)

// heldUpTo is how many sectors of a block lie before the first row that fails.
func heldUpTo(d *Disc, b int64) int64 {
	var r rows
	d.light(d.grounds[0], b, &r)
	for i, v := range r {
		if v < 0.45 && i%13 != 12 { // the 13th row is outer parity
			return int64(i / 13)
		}
	}
	return blockSectors
}

func TestPartialDelivery(t *testing.T) {
	d := disc(t, append(marked(ring), drive0, noiseless)...)
	giving, holding := open(t, d, Opening{}), open(t, d, Opening{Drive: 1})
	seen := map[int64]bool{}
	for b := int64(1000); b < 2000; b++ {
		if c := d.AppendChances(nil, 0, b)[0]; c.Usual != 0 || c.Lost {
			continue
		}
		// Two blocks, the second of which fails.
		r := sector.Range{First: block(b - 1).First, End: block(b).End}
		if d.AppendChances(nil, 0, b-1)[0].Usual != 1 {
			r = block(b)
		}
		before := r.Count() - 16
		want := heldUpTo(d, b)
		seen[want] = true
		if a, c := giving.ask(r); a.Good() != before+want || c.Outcome != Medium || a.Err.Class != device.Medium ||
			a.Err.At != r.First+sector.LBA(before+want) || a.Err.Sense.String() != "3/11/05" {
			t.Fatalf("%v of the drive that gives parts = %d sectors, %v; want %d and the next failing", r, a.Good(), a.Err, before+want)
		}
		if a, _ := holding.ask(r); a.Good() != before || a.Err.At != block(b).First {
			t.Fatalf("%v of the drive that gives none = %d sectors, %v; want %d and the next failing", r, a.Good(), a.Err, before)
		}
		if want == 0 || want == 16 {
			continue
		}
		// What is behind the failing sector is asked for by itself, and what is before.
		first, rest := sector.Span(block(b).First, want), sector.Range{First: block(b).First + sector.LBA(want), End: block(b).End}
		if a, c := giving.ask(first); a.Err != nil || c.Outcome != OK {
			t.Fatalf("%v, sectors that hold = %v; want them", first, a.Err)
		}
		if a, _ := giving.ask(rest); a.Good() != 0 {
			t.Fatalf("%v, from the failing sector on = %d sectors; want none", rest, a.Good())
		}
		if a, _ := holding.ask(first); a.Good() != 0 {
			t.Fatalf("%v of the drive that gives no parts = %d sectors; want none", first, a.Good())
		}
	}
	if len(seen) < 8 {
		t.Errorf("parts of %d lengths were seen; want most of 0 to 15", len(seen))
	}
}

// oneOf is the first block from b on with the chance that a test wants.
func oneOf(t *testing.T, d *Disc, b int64, want func(Chance) bool) int64 {
	t.Helper()
	for ; b < d.scenario.Blocks(); b++ {
		if want(d.AppendChances(nil, 0, b)[0]) {
			return b
		}
	}
	t.Fatal("no such block on the disc")
	return 0
}

func TestRetriesHelpAndCostTime(t *testing.T) {
	d := disc(t, marked(faint)...)
	weak, failed := 0, 0
	for b := int64(0); b < d.scenario.Blocks(); b++ {
		c := d.AppendChances(nil, 0, b)[0]
		if c.Usual < 0.05 || c.Usual > 0.95 {
			continue
		}
		// Twice the same draws: with no retry and with many.
		once, often := open(t, d, Opening{}), open(t, d, Opening{})
		if err := errors.Join(once.Set(t.Context(), retries(0)), often.Set(t.Context(), retries(40))); err != nil {
			t.Fatal(err)
		}
		a, one := once.ask(block(b))
		again, many := often.ask(block(b))
		switch {
		case one.Outcome == OK:
			if many.End != one.End || len(again.Weak) > 0 {
				t.Fatalf("block %d comes at once; with retries = %+v, weak %v; want the same", b, many, again.Weak)
			}
		case many.Outcome == OK:
			weak++
			turns := float64(many.End-one.End+100*time.Millisecond) / float64(turnAt16(d))
			if n := turns / 1.2; !near(n, float64(int(n+0.5)), 1e-4) || n < 0.99 || n > 40.01 || len(again.Weak) == 0 || a.Good() == 16 {
				t.Fatalf("block %d comes after %v further attempts, weak %v; want 1 to 40 whole ones", b, n, again.Weak)
			}
		default:
			failed++
			want := time.Duration(40 * 1.2 * float64(turnAt16(d)))
			if got := many.End - one.End; !near(got.Seconds(), want.Seconds(), 1e-6) {
				t.Fatalf("block %d fails 40 further attempts in %v; want %v", b, got, want)
			}
		}
	}
	if weak < 20 {
		t.Errorf("%d blocks came at a further attempt; want more to see", weak)
	}
}

// turnAt16 is one turn at 16x: 16 · 1.385 MB/s are read at 58 mm.
func turnAt16(d *Disc) time.Duration {
	const circumference = 364.4247 // mm, at 58 mm
	bytes := circumference / d.scenario.shape.Sector * 2048
	return time.Duration(bytes / (16 * 1.385e6) * 1e9)
}

func TestSettings(t *testing.T) {
	d := disc(t, drive0, `{"name": "A", "retries": 5, "min_retries": 2, "max_x": 12}`)
	v := open(t, d, Opening{})
	_, c := v.ask(block(0))
	if c.Retries != 5 || c.X != 12 {
		t.Errorf("first command = %+v; want the drive's own 5 retries at 12x", c)
	}
	for _, s := range []device.Settings{retries(1), {SpeedKBps: -1}} {
		if err := v.Set(t.Context(), s); !errors.Is(err, device.ErrUnsupported) {
			t.Errorf("Set(%+v) = %v; want %v", s, err, device.ErrUnsupported)
		}
	}
	for _, test := range []struct {
		set     device.Settings
		x       int
		retries uint8
	}{
		{device.Settings{}, 12, 5},
		{retries(2), 12, 2},
		{device.Settings{SpeedKBps: 100_000}, 12, 2},
		{device.Settings{SpeedKBps: 8 * 1385}, 8, 2},
		{device.Settings{SpeedKBps: 8*1385 - 1}, 6, 2},
		{device.Settings{SpeedKBps: 1}, 2, 2},
		{retries(255), 2, 255},
	} {
		if err := v.Set(t.Context(), test.set); err != nil {
			t.Fatalf("Set(%+v) = %v; want nil", test.set, err)
		}
		if _, c := v.ask(block(1)); c.X != test.x || c.Retries != test.retries {
			t.Errorf("after Set(%+v): %dx, %d retries; want %dx, %d", test.set, c.X, c.Retries, test.x, test.retries)
		}
	}
	// A request that waits keeps the settings under which it was asked.
	if err := errors.Join(v.Ask(block(2)), v.Set(t.Context(), retries(3))); err != nil {
		t.Fatal(err)
	}
	if _, err := v.Answer(t.Context()); err != nil || v.last.Retries != 255 {
		t.Errorf("request asked before Set: %d retries, %v; want 255", v.last.Retries, err)
	}
}

// A drive that is told to read slowly goes at 2x at once, whatever its cap, and comes
// back to that step by step.
func TestSlow(t *testing.T) {
	v := open(t, disc(t, drive0, `{"name": "A", "max_x": 12}`), Opening{})
	told := func(slow bool, want int) {
		t.Helper()
		if got, err := v.Slow(t.Context(), slow); got != want || err != nil {
			t.Errorf("Slow(%v) = %d, %v; want %d, nil", slow, got, err, want)
		}
	}
	fastest := func() (x int) {
		for n := range int64(1100) { // 8 MiB are 256 blocks
			_, c := v.ask(block(n % 8))
			x = max(x, c.X)
		}
		return x
	}
	told(true, 2*1385)
	if err := v.Set(t.Context(), device.Settings{SpeedKBps: 8 * 1385}); err != nil {
		t.Fatal(err)
	}
	if x := fastest(); x != 2 {
		t.Errorf("told to read slowly it goes at up to %dx; want 2x", x)
	}
	told(false, 8*1385)
	if _, c := v.ask(block(0)); c.X > 4 {
		t.Errorf("told otherwise it goes at %dx at once; want a step at a time", c.X)
	}
	if x := fastest(); x != 8 {
		t.Errorf("told otherwise it goes at up to %dx; want its cap, 8x", x)
	}
	told(true, 2*1385)
	v.Cure(Reset)
	if x := fastest(); x != 12 {
		t.Errorf("after a reset it goes at up to %dx; want its own, 12x", x)
	}
}

func TestStalls(t *testing.T) {
	for _, test := range []struct {
		stall string
		cures []Cure // that don't help
		cure  Cure   // that does
		node  string
	}{
		{`"needs": "wait"`, nil, "", ":A"},
		{`"min_s": 40`, nil, "", ":A"},
		{`"needs": "reset", "returns_as": "elsewhere"`, []Cure{Waiting}, Reset, "elsewhere"},
		{`"needs": "reset"`, nil, Reload, ":A"},
		{`"needs": "reload", "returns_as": "elsewhere"`, []Cure{Waiting, Reset}, Reload, "elsewhere"},
	} {
		d := disc(t, append(marked(blot), drive0, `{"name": "A", "stall": {"chance": 1, `+test.stall+`}}`)...)
		v := open(t, d, Opening{})
		lost := oneOf(t, d, 0, func(c Chance) bool { return c.Lost })
		if err := v.Set(t.Context(), retries(0)); err != nil {
			t.Fatal(err)
		}
		a, c := v.ask(block(lost))
		if c.Outcome != LongSilent || a.Err.Class != device.Stalled || a.Good() != 0 || a.Err.At != -1 {
			t.Fatalf("%s: %+v, %v; want a stall", test.stall, c, a.Err)
		}
		if a.Took < 43*time.Second || a.Took > 100*time.Second {
			t.Errorf("%s: it took %v; want 3 to 9 and 40 to 90 s", test.stall, a.Took)
		}
		if err := v.Ask(block(0)); !errors.Is(err, device.ErrClosed) {
			t.Errorf("%s: Ask after a stall = %v; want %v", test.stall, err, device.ErrClosed)
		}
		for _, cure := range test.cures {
			v.Cure(cure)
			var e *device.ReadError
			if err := v.Reopen(t.Context()); !errors.As(err, &e) || e.Class != device.Stalled || !strings.Contains(e.Text, "needs a re") {
				t.Errorf("%s: Reopen after %s = %v; want no answer", test.stall, cure, err)
			}
		}
		if test.cure != "" {
			v.Cure(test.cure)
		}
		if err := v.Reopen(t.Context()); err != nil {
			t.Fatalf("%s: Reopen after %q = %v; want nil", test.stall, test.cure, err)
		}
		if got := v.Info().Node; !strings.HasSuffix(got, test.node) {
			t.Errorf("%s: node = %s; want %s", test.stall, got, test.node)
		}
		want := uint8(0)
		if test.cure != "" {
			want = 16 // a reset drive has forgotten what it was told
		}
		if _, c := v.ask(block(0)); c.Outcome != OK || c.Retries != want {
			t.Errorf("%s: first command afterwards = %+v; want it to come, %d retries", test.stall, c, want)
		}
	}
}

func TestNoMedium(t *testing.T) {
	d := disc(t, append(marked(`{"haze": {"region_mm": [20, 60], "density": 1}}`), drive0, drive0+`, {"name": "B", "servo_margin": 0.4}`)...)
	open(t, d, Opening{})
	_, err := d.Open(Opening{Drive: 1})
	var none *device.OpenError
	if !errors.As(err, &none) || !none.NoDisc {
		t.Errorf("Open where all is under the servo's margin = %v; want no disc", err)
	}
	for _, o := range []Opening{{Drive: -1}, {Drive: 2}, {Round: 1}, {Round: -1}} {
		if _, err := d.Open(o); err == nil {
			t.Errorf("Open(%+v) = nil; want an error", o)
		}
	}
}

// What an attempt brings hangs on seed, drive, round, pass, block and attempt, on
// nothing else.
func TestDrawsHangOnTheirKeyOnly(t *testing.T) {
	d := disc(t, append(marked(faint),
		drive0, drive0+`, {"name": "B", "partial": true}`, `{"treatments": []}`, `{"treatments": []}, {"treatments": []}`)...)
	var blocks []int64
	for b := range d.scenario.Blocks() {
		if c := d.AppendChances(nil, 0, b)[0]; c.Usual > 0.05 && c.Usual < 0.95 {
			blocks = append(blocks, b)
		}
	}
	known := make([]Chance, d.scenario.Blocks())
	for b := range known {
		known[b] = d.AppendChances(nil, 0, int64(b))[0]
	}
	read := func(o Opening, blocks []int64) map[int64][2]int64 {
		v := open(t, d, o)
		got := map[int64][2]int64{}
		for _, b := range blocks {
			var g [2]int64
			for i := range g {
				if err := v.Set(t.Context(), retries(0)); err != nil {
					t.Fatal(err)
				}
				_, c := v.ask(block(b))
				g[i] = c.Good
			}
			got[b] = g
		}
		return got
	}
	base := read(Opening{}, blocks)
	backwards := slices.Clone(blocks)
	slices.Reverse(backwards)
	differ := func(other map[int64][2]int64) int {
		n := 0
		for b, g := range base {
			if g != other[b] {
				n++
			}
		}
		return n
	}
	for _, test := range []struct {
		name string
		got  map[int64][2]int64
		same bool
	}{
		{"once more", read(Opening{}, blocks), true},
		{"at another time", read(Opening{Start: time.Hour}, blocks), true},
		{"with the chances known", read(Opening{Known: known}, blocks), true},
		{"another drive", read(Opening{Drive: 1}, blocks), false},
		{"another round", read(Opening{Round: 1}, blocks), false},
		{"another pass", read(Opening{Pass: 1}, blocks), false},
	} {
		if n := differ(test.got); (n == 0) != test.same {
			t.Errorf("%s: %d of %d blocks come otherwise; want the same: %v", test.name, n, len(blocks), test.same)
		}
	}
	// Backwards every failure still steps the speed down, to 2x, where more comes: so
	// draws are compared at 2x.
	slow := func(blocks []int64) map[int64][2]int64 {
		v := open(t, d, Opening{})
		got := map[int64][2]int64{}
		for _, b := range blocks {
			if err := v.Set(t.Context(), device.Settings{SpeedKBps: 1, Retries: new(uint8)}); err != nil {
				t.Fatal(err)
			}
			_, c := v.ask(block(b))
			got[b] = [2]int64{c.Good}
		}
		return got
	}
	base = slow(blocks)
	if n := differ(slow(backwards)); n != 0 {
		t.Errorf("backwards: %d of %d blocks come otherwise; want none", n, len(blocks))
	}
}

// The whole simulation in one number: everything that a drive says of a disc, and
// when. It is the same on every machine; a change of it changes all scenarios.
func TestDigest(t *testing.T) {
	s, err := Load("../../testdata/scenarios/scratched.json")
	if err != nil {
		t.Fatal(err)
	}
	d, err := New(s)
	if err != nil {
		t.Fatal(err)
	}
	v := open(t, d, Opening{})
	sum := sha256.New()
	for b := range s.Blocks() {
		_, c := v.ask(block(b * 7 % s.Blocks()))
		fmt.Fprintln(sum, c, d.AppendChances(nil, 0, b))
		if c.Outcome == LongSilent {
			if err := v.Reopen(t.Context()); err != nil {
				t.Fatal(err)
			}
		}
	}
	const want = "b15115342b65eed319dac1789363d58907be5bb9ef57a65060f7b9dc2351abca"
	if got := hex.EncodeToString(sum.Sum(nil)); got != want {
		t.Errorf("digest = %s; want %s", got, want)
	}
}
