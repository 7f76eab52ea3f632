package video_test

import (
	"encoding/binary"
	"errors"
	"fmt"
	"testing"
	"time"

	"turnstone/imager/video"
	vt "turnstone/imager/video/videotest"
)

// setFile is VTS_nn_0.IFO of a set with a title of two chapters in one chain of cells,
// by the layout in titleset.go.
func setFile(cells, units []uint32) []byte {
	b := make([]byte, 6*2048)
	put := func(at int, v uint32) { binary.BigEndian.PutUint32(b[at:], v) }
	put16 := func(at int, v int) { binary.BigEndian.PutUint16(b[at:], uint16(v)) }
	copy(b, "DVDVIDEO-VTS")
	put(12, 1000-1)
	put(28, 6-1)
	put(196, 6)
	put(200, 1) // chapters
	put(204, 2) // chains
	put(228, 4) // units
	at := 1 * 2048
	put16(at, 1)
	put(at+4, 20-1)
	put(at+8, 12)
	for i := range 2 {
		put16(at+12+4*i, 1)
		put16(at+12+4*i+2, i+1)
	}
	at = 2 * 2048
	n := len(cells) - 1
	put16(at, 1)
	put(at+4, uint32(16+236+28*n-1))
	put(at+8+4, 16)
	chain := at + 16
	b[chain+3] = byte(n)
	put16(chain+232, 236)
	put16(chain+234, 236+24*n)
	for i := range n {
		e := chain + 236 + 24*i
		copy(b[e+4:], []byte{0, 1, byte(i), 1<<6 | 0x12}) // 60 + i seconds, 12 pictures
		put(e+8, cells[i])
		put(e+16, cells[i])
		put(e+20, cells[i+1]-1)
		b[chain+236+24*n+4*i+1], b[chain+236+24*n+4*i+3] = 1, byte(i+1)
	}
	at = 4 * 2048
	put(at, uint32(4+4*len(units)-1))
	for i, u := range units {
		put(at+4+4*i, u)
	}
	return b
}

func parseSet(b []byte, missing ...video.Span) (*video.TitleSet, error) {
	x, err := video.ReadInfo(&vt.Holed{Data: b, Missing: missing}, nil)
	if err != nil {
		return nil, err
	}
	return video.ParseTitleSet(x)
}

func TestParseTitleSet(t *testing.T) {
	data := setFile([]uint32{0, 100, 250}, []uint32{0, 40, 100, 160})
	s, err := parseSet(data)
	want := []video.Cell{{VOB: 1, ID: 1, Last: 99, Shown: 60*video.Second + 12*3600}, {VOB: 1, ID: 2, First: 100, LastUnit: 100, Last: 249, Shown: 61*video.Second + 12*3600}}
	if err != nil || len(s.Problems) > 0 || len(s.Titles) != 1 || fmt.Sprint(s.Titles[0].Cells) != fmt.Sprint(want) || fmt.Sprint(s.Units) != "[0 40 100 160]" {
		t.Errorf("ParseTitleSet = %+v, %v; want the cells %v", s, err, want)
	}
	if got := s.Titles[0].Length().Duration(); got != 121*time.Second+960*time.Millisecond {
		t.Errorf("Length() = %v; want 2:01.96", got)
	}
	// What is missing is said, and what is there serves.
	for n, lost := range map[int64]string{1: "the table of chapters: missing", 4: "the map of units: missing"} {
		s, err := parseSet(data, video.Span{First: n * 2048, End: (n + 1) * 2048})
		if err != nil || len(s.Titles) != 1 || len(s.Titles[0].Cells) != 2 || len(s.Problems) != 1 || s.Problems[0] != lost {
			t.Errorf("ParseTitleSet without sector %d = %+v, %v; want its title, and %q", n, s, err, lost)
		}
	}
	if s, err := parseSet(data, video.Span{First: 2 * 2048, End: 3 * 2048}); err != nil || len(s.Titles) > 0 || len(s.Problems) != 1 {
		t.Errorf("ParseTitleSet without its chains = %+v, %v", s, err)
	}
	if _, err := parseSet(data, video.Span{First: 0, End: 2048}); !errors.Is(err, video.ErrMissing) {
		t.Errorf("ParseTitleSet without its header: %v; want ErrMissing", err)
	}
	if _, err := parseSet(make([]byte, 4096)); !errors.Is(err, video.ErrNoInfo) {
		t.Errorf("ParseTitleSet of zeros: %v; want ErrNoInfo", err)
	}
}

// Title time by cells whose order is not that of the disc.
func TestPlayTitleOfCells(t *testing.T) {
	a := vt.Program{Pictures: 240, NAV: true, VOB: 1}
	data := a.Bytes()
	b := vt.Program{Pictures: 120, NAV: true, VOB: 2, Sector: int64(len(data) / 2048)}
	edge := int64(len(data)) / 2048
	data = append(data, b.Bytes()...)
	end := int64(len(data)) / 2048
	var units []int64
	for at := int64(0); at < end; at++ {
		if _, ok := video.ParseNAV(data[at*2048 : (at+1)*2048]); ok {
			units = append(units, at)
		}
	}
	lastOf := func(limit int64) (last int64) {
		for _, u := range units {
			if u < limit {
				last = u
			}
		}
		return last
	}
	title := video.Title{Cells: []video.Cell{
		{First: edge, Last: end - 1, LastUnit: lastOf(end), Shown: 5 * video.Second},
		{First: 0, Last: edge - 1, LastUnit: lastOf(edge), Shown: 9 * video.Second},
	}}
	src := &vt.Holed{Data: data}
	f, err := video.PlayTitle(title, units, src)
	if err != nil || f.Length != 360*40*time.Millisecond || len(f.Gaps) > 0 {
		t.Fatalf("PlayTitle = %+v, %v; want 14.4 s by the packs", f, err)
	}
	src.Missing = []video.Span{{First: units[2] * 2048, End: units[2]*2048 + 2048}} // 0:00.96 of the second cell
	f, err = video.PlayTitle(title, units, src)
	from, to := 4800*time.Millisecond+960*time.Millisecond, 4800*time.Millisecond+1520*time.Millisecond
	if err != nil || len(f.Gaps) != 1 || f.Gaps[0].From != from || f.Gaps[0].To != to {
		t.Errorf("PlayTitle without a navigation pack = %+v, %v; want a gap from %v to %v", f, err, from, to)
	}
}

func FuzzInfo(f *testing.F) {
	whole := setFile([]uint32{0, 100, 250}, []uint32{0, 40, 100, 160})
	f.Add(whole, uint16(0), uint16(0))
	f.Add(whole, uint16(2048), uint16(4096))
	manager := make([]byte, 2*2048)
	copy(manager, "DVDVIDEO-VMG")
	manager[63], manager[199], manager[2048+1], manager[2048+7], manager[2048+8+6], manager[2048+8+7] = 1, 1, 1, 19, 1, 1
	f.Add(manager, uint16(0), uint16(0))
	f.Fuzz(func(t *testing.T, b []byte, from, to uint16) {
		video.ParseInfoHead(b)
		src := &vt.Holed{Data: b}
		if from < to {
			src.Missing = []video.Span{{First: int64(from), End: int64(to)}}
		}
		x, err := video.ReadInfo(src, &vt.Holed{Data: b})
		if err != nil {
			return
		}
		if titles, err := video.ParseManager(x); err == nil {
			for _, e := range titles {
				if e.Set < 1 || e.InSet < 1 {
					t.Errorf("ParseManager gives %+v", e)
				}
			}
		}
		s, err := video.ParseTitleSet(x)
		if err != nil {
			return
		}
		for _, title := range s.Titles {
			for _, c := range title.Cells {
				if c.First > c.Last || c.LastUnit < c.First || c.LastUnit > c.Last || c.Shown < 0 {
					t.Errorf("ParseTitleSet gives the cell %+v", c)
				}
			}
			_, _ = video.PlayTitle(title, s.Units, &vt.Holed{Data: b})
		}
	})
}

func FuzzStream(f *testing.F) {
	a, b := vt.Program{Pictures: 4, Group: 2, Picture: 20, NAV: true, VOB: 1}.Bytes(), vt.Program{Pictures: 4, Group: 2, Picture: 30, Begins: 1 << 30}.Bytes()
	f.Add(a, uint32(0), uint32(0), uint32(0), uint32(0))
	f.Add(append(append([]byte{}, a...), b...), uint32(4096), uint32(6144), uint32(9000), uint32(9001))
	f.Add([]byte{0, 0, 1, 0xBA, 0x21, 0, 1, 0, 1, 0x80, 0, 1, 0, 0, 1, 0xE0, 0, 20, 0x0F, 0, 0, 1, 0xB3, 0, 0, 0, 3}, uint32(0), uint32(0), uint32(0), uint32(0))
	f.Fuzz(func(t *testing.T, data []byte, a, b, c, d uint32) {
		src := &vt.Holed{Data: data}
		if a < b {
			src.Missing = append(src.Missing, video.Span{First: int64(a), End: int64(b)})
		}
		if c < d && c > b {
			src.Missing = append(src.Missing, video.Span{First: int64(c), End: int64(d)})
		}
		f, err := video.PlayStream(src)
		if err != nil {
			return
		}
		end := time.Duration(0)
		for i, g := range f.Gaps {
			if g.From >= g.To || g.From < end && i > 0 || g.To > f.Length {
				t.Errorf("PlayStream gives the gaps %v of %v", f.Gaps, f.Length)
			}
			end = g.To
		}
		if len(src.Missing) == 0 && len(f.Gaps) > 0 {
			t.Errorf("PlayStream gives the gaps %v of a whole stream", f.Gaps)
		}
		if share := f.Share(); !(0 <= share && share <= 1) {
			t.Errorf("Share() = %v", share)
		}
		for _, at := range []int64{0, src.Size() / 2} {
			if clip, err := video.ClipAt(src, at, 10*time.Second); err == nil && (clip.Bytes.First < 0 || clip.Bytes.First >= clip.Bytes.End || clip.Bytes.End > src.Size()) {
				t.Errorf("ClipAt(%d) = %+v of %d bytes", at, clip, src.Size())
			}
			if clip, err := video.ClipAround(src, video.Span{First: at, End: at + 1}, time.Second, time.Second); err == nil && (clip.Bytes.First < 0 || clip.Bytes.First >= clip.Bytes.End || clip.Bytes.End > src.Size()) {
				t.Errorf("ClipAround(%d) = %+v of %d bytes", at, clip, src.Size())
			}
		}
	})
}

func FuzzPack(f *testing.F) {
	f.Add(vt.Program{Pictures: 1, Picture: 20, NAV: true}.Bytes()[:2048])
	f.Add(vt.Program{Pictures: 1, Picture: 20}.Bytes()[:2048])
	f.Fuzz(func(t *testing.T, b []byte) {
		if p, ok := video.ParsePack(b); ok && (p.SCR < 0 || p.SCR >= 1<<33 || p.Rate < 0 || p.Len < 12 || p.Len > 21) {
			t.Errorf("ParsePack = %+v", p)
		}
		if n, ok := video.ParseNAV(b); ok && (n.Sector < 0 || n.Last < 0 || n.InCell < 0) {
			t.Errorf("ParseNAV = %+v", n)
		}
		video.Protected(b)
		video.RecorderInfo(b)
	})
}
