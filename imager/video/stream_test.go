package video_test

import (
	"bytes"
	"errors"
	"math/rand/v2"
	"testing"
	"time"

	"turnstone/imager/video"
	vt "turnstone/imager/video/videotest"
)

// The clock of a pack: the sheet of facts' two worked examples of 13818-1, 2.5.3.3.
func TestParsePack(t *testing.T) {
	for _, c := range []struct {
		clock []byte
		want  video.Ticks
	}{
		{[]byte{0x44, 0x00, 0x04, 0x00, 0x04, 0x01}, 0}, {[]byte{0x44, 0x00, 0x04, 0x04, 0x94, 0x01}, 146},
	} {
		b := append([]byte{0, 0, 1, 0xBA}, c.clock...)
		b = append(b, 0x01, 0x89, 0xC3, 0xF8) // 25,200 × 50 bytes a second
		if p, ok := video.ParsePack(b); !ok || p.SCR != c.want || p.Rate != 1_260_000 || p.Len != 14 || p.MPEG != 2 {
			t.Errorf("ParsePack(% x) = %+v, %v; want the clock %d at 1,260,000 bytes a second", b, p, ok, c.want)
		}
		b[9] = 0
		if _, ok := video.ParsePack(b); ok {
			t.Errorf("ParsePack(% x) takes a pack without its last marker bit", b)
		}
	}
}

// groups is where the groups of a made-up stream begin, and when they are shown, by a
// look at every pack: what the package must find with few.
type group struct {
	at    int64
	first time.Duration
	intra time.Duration
}

func groupsOf(p vt.Program) (all []group) {
	if p.Group == 0 {
		p.Group = 12
	}
	data := p.Bytes()
	n := 0
	for at := 0; at < len(data); at += vt.PackSize {
		b := data[at : at+vt.PackSize]
		if bytes.Contains(b, []byte{0, 0, 1, 0xB3}) {
			first := time.Duration(n*p.Group) * 40 * time.Millisecond
			lead := time.Duration(min(2, min(p.Group, p.Pictures-n*p.Group)-1)) * 40 * time.Millisecond
			if p.NAV {
				at -= vt.PackSize
				all = append(all, group{int64(at), first, first + lead})
				at += vt.PackSize
			} else {
				all = append(all, group{int64(at), first, first + lead})
			}
			n++
		}
	}
	return all
}

// A whole stream lasts as long as its pictures, without a gap.
func TestPlayStreamWhole(t *testing.T) {
	for _, p := range []vt.Program{{Pictures: 250}, {Pictures: 253, Begins: 1 << 32}, {Pictures: 100, NAV: true, VOB: 1}, {Pictures: 30, Group: 1}} {
		got, err := video.PlayStream(&vt.Holed{Data: p.Bytes()})
		if err != nil || got.Length != time.Duration(p.Pictures)*40*time.Millisecond || got.About || len(got.Gaps) > 0 || len(got.Takes) != 1 {
			t.Errorf("PlayStream(%+v) = %+v, %v; want %d pictures of 40 ms, whole", p, got, err, p.Pictures)
		}
	}
}

// With random holes the gaps hold all that the groups touched by them show, and no more
// than the rest of the groups around.
func TestPlayStreamGaps(t *testing.T) {
	r := rand.New(rand.NewPCG(9, 9))
	for range 60 {
		p := vt.Program{Pictures: 300 + r.IntN(300), NAV: r.IntN(2) == 0, Picture: 1500 + r.IntN(6000), Begins: r.Int64N(1 << 30)}
		groups, src := groupsOf(p), &vt.Holed{Data: p.Bytes()}
		packs := src.Size() / vt.PackSize
		for at := 8 + r.Int64N(packs/2); at < packs-8; at += 1 + r.Int64N(packs) {
			n := min(1+r.Int64N(60), packs-8-at)
			src.Missing = append(src.Missing, video.Span{First: at * vt.PackSize, End: (at + n) * vt.PackSize})
			at += n
		}
		got, err := video.PlayStream(src)
		// The pictures that are shown last may be those that are missing.
		if short := time.Duration(p.Pictures)*40*time.Millisecond - got.Length; err != nil || short < 0 || short > 500*time.Millisecond {
			t.Fatalf("PlayStream(%+v) = %v, %v; want %d pictures", p, got.Length, err, p.Pictures)
		}
		// Which moments may be lost, and which must be.
		for ms := time.Duration(0); ms < got.Length; ms += 40 * time.Millisecond {
			must, may := false, false
			for i, g := range groups {
				end, shown := src.Size(), got.Length
				if i+1 < len(groups) {
					end, shown = groups[i+1].at, groups[i+1].intra
				}
				before, after := g.at-1, end
				for _, h := range src.Missing {
					hit := h.First < end && g.at < h.End
					near := h.First <= after && before < h.End // an edge at its edge
					must = must || hit && g.first <= ms && ms < shown
					may = may || near && g.first <= ms && ms < shown
				}
			}
			lost := false
			for _, gap := range got.Gaps {
				lost = lost || gap.From <= ms && ms < gap.To
			}
			if must && !lost || lost && !may {
				t.Fatalf("PlayStream(%+v), holes %v: %v lost: %v; must be lost: %v, may be: %v; gaps %v", p, src.Missing, ms, lost, must, may, got.Gaps)
			}
		}
	}
}

// Takes are cut where the clock breaks; play time goes on over them.
func TestPlayStreamTakes(t *testing.T) {
	a, b, c := vt.Program{Pictures: 400}.Bytes(), vt.Program{Pictures: 500, Seed: 1}.Bytes(), vt.Program{Pictures: 350, Begins: 1 << 31, Seed: 2}.Bytes()
	src := &vt.Holed{Data: append(append(append([]byte{}, a...), b...), c...)}
	got, err := video.PlayStream(src)
	if err != nil || len(got.Takes) != 3 || got.Length != 50*time.Second || len(got.Gaps) > 0 {
		t.Fatalf("PlayStream of three takes = %+v, %v; want 16, 20 and 14 s", got, err)
	}
	edges := []int64{0, int64(len(a)), int64(len(a) + len(b))}
	for i, take := range got.Takes {
		if take.Bytes.First != edges[i] {
			t.Errorf("take %d begins at byte %d; want %d", i, take.Bytes.First, edges[i])
		}
	}
	// A hole over the end of one and the beginning of the next costs both.
	src.Missing = []video.Span{{First: edges[1] - 10*vt.PackSize, End: edges[1] + 10*vt.PackSize}}
	got, err = video.PlayStream(src)
	if err != nil || len(got.Takes) != 3 || got.Lost() < time.Second/2 || got.Lost() > 3*time.Second {
		t.Errorf("PlayStream of three takes with a hole between two = %+v, %v; want some half to three seconds lost", got, err)
	}
	for _, g := range got.Gaps {
		if g.From > 17*time.Second || g.To < 15*time.Second {
			t.Errorf("gap %v is not about 16 s", g)
		}
	}
}

// Where the beginning or the end is missing it is estimated, and said so.
func TestPlayStreamEnds(t *testing.T) {
	data := vt.Program{Pictures: 1000}.Bytes()
	for _, hole := range []video.Span{{First: 0, End: int64(len(data)) / 4 / 2048 * 2048}, {First: int64(len(data)) * 3 / 4 / 2048 * 2048, End: int64(len(data))}} {
		got, err := video.PlayStream(&vt.Holed{Data: data, Missing: []video.Span{hole}})
		if err != nil || !got.About || len(got.Gaps) != 1 || !got.Gaps[0].About {
			t.Errorf("PlayStream without %v = %+v, %v; want one estimated gap", hole, got, err)
			continue
		}
		if got.Length < 38*time.Second || got.Length > 42*time.Second || got.Lost() < 9*time.Second || got.Lost() > 12*time.Second {
			t.Errorf("PlayStream without %v: %v of %v lost; want about 10 of 40 s", hole, got.Lost(), got.Length)
		}
	}
}

// What is no stream is said to be none.
func TestPlayStreamNone(t *testing.T) {
	for _, src := range []*vt.Holed{{}, {Data: make([]byte, 1<<20)}, {Data: vt.Program{Pictures: 10}.Bytes(), Missing: []video.Span{{First: 0, End: 1 << 30}}}} {
		if got, err := video.PlayStream(src); !errors.Is(err, video.ErrNoStream) {
			t.Errorf("PlayStream of no stream = %+v, %v; want ErrNoStream", got, err)
		}
	}
}

// A clip begins with a sequence header or a navigation pack, and is about as long as
// was asked for.
func TestClips(t *testing.T) {
	for _, nav := range []bool{false, true} {
		p := vt.Program{Pictures: 1500, NAV: nav}
		src, groups := &vt.Holed{Data: p.Bytes()}, groupsOf(p)
		begins := map[int64]bool{}
		for _, g := range groups {
			begins[g.at] = true
		}
		for _, at := range []int64{0, src.Size() / 4, src.Size() / 2, src.Size() - 1} {
			c, err := video.ClipAt(src, at, 10*time.Second)
			if err != nil || !begins[c.Bytes.First] || c.Bytes.First > at || !begins[c.Bytes.End] && c.Bytes.End != src.Size() {
				t.Errorf("ClipAt(%d) = %+v, %v; want one from group to group", at, c, err)
			}
			if at < src.Size()*3/4 && (c.Length < 10*time.Second || c.Length > 11*time.Second) {
				t.Errorf("ClipAt(%d) lasts %v; want 10 s", at, c.Length)
			}
		}
		hole := video.Span{First: src.Size() / 2 / 2048 * 2048, End: src.Size()/2/2048*2048 + 40*2048}
		src.Missing = []video.Span{hole}
		c, err := video.ClipAround(src, hole, 4*time.Second, 4*time.Second)
		if err != nil || !begins[c.Bytes.First] || c.Bytes.First > hole.First || c.Bytes.End < hole.End || c.Length < 8*time.Second || c.Length > 12*time.Second {
			t.Errorf("ClipAround(%v) = %+v, %v; want 4 s on either side of it", hole, c, err)
		}
	}
}

// counted counts what is read of a stream.
type counted struct {
	*vt.Holed
	read int64
}

func (c *counted) ReadAt(p []byte, at int64) (int, error) {
	n, err := c.Holed.ReadAt(p, at)
	c.read += int64(n)
	return n, err
}

// What is read of a film is bounded, whatever it holds: here much that is no stream, with
// many holes.
func TestReadingIsBounded(t *testing.T) {
	data := vt.Program{Pictures: 100}.Bytes()
	data = append(data, bytes.Repeat([]byte{0x55}, 64<<20)...)
	data = append(data, vt.Program{Pictures: 100, Begins: 20 * 90000}.Bytes()...)
	src := &counted{Holed: &vt.Holed{Data: data}}
	for at := int64(300 * 2048); at < src.Size()-1<<20; at += 64 << 10 {
		src.Missing = append(src.Missing, video.Span{First: at, End: at + 2048})
	}
	if _, err := video.PlayStream(src); err != nil {
		t.Fatal(err)
	}
	// 512 MiB around gaps; then a window of 128 KiB for each edge of a hole.
	if most := int64(600<<20) + int64(len(src.Missing))*(256<<10); src.read > most {
		t.Errorf("PlayStream reads %d MB of %d MB; want %d at most", src.read/1e6, src.Size()/1e6, most/1e6)
	}
	t.Logf("%d MB read of %d MB with %d holes", src.read/1e6, src.Size()/1e6, len(src.Missing))
}

// A clock of 33 bits runs for 26.5 hours; what is estimated may be longer.
func TestTicksInTime(t *testing.T) {
	for ticks, want := range map[video.Ticks]time.Duration{
		0: 0, 9: 100 * time.Microsecond, 1 << 33: 95443717688888, 1 << 40: 12216795864177777,
	} {
		if got := ticks.Duration(); got != want {
			t.Errorf("Ticks(%d).Duration() = %d; want %d", ticks, got, want)
		}
	}
}

// What a take lacks is the part of the gaps within it.
func TestLostOfTake(t *testing.T) {
	const s = time.Second
	p := video.Playback{Length: 60 * s, Gaps: []video.Gap{{From: 5 * s, To: 6 * s}, {From: 28 * s, To: 33 * s}, {From: 59 * s, To: 60 * s}},
		Takes: []video.Take{{Length: 30 * s}, {From: 30 * s, Length: 25 * s}, {From: 55 * s, Length: 4 * s}, {From: 59 * s, Length: s}}}
	for i, want := range []time.Duration{3 * s, 3 * s, 0, s} {
		if got := p.LostOf(p.Takes[i]); got != want {
			t.Errorf("LostOf(take %d) = %v; want %v", i+1, got, want)
		}
	}
}
