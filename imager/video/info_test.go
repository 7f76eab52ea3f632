package video_test

import (
	"errors"
	"fmt"
	"testing"
	"time"

	"turnstone/imager/video"
	vt "turnstone/imager/video/videotest"
)

func parseSet(b []byte, missing ...video.Span) (*video.TitleSet, error) {
	x, err := video.ReadInfo(&vt.Holed{Data: b, Missing: missing}, nil)
	if err != nil {
		return nil, err
	}
	return video.ParseTitleSet(x)
}

func TestParseTitleSet(t *testing.T) {
	want := []video.Cell{{VOB: 1, ID: 1, Last: 99, LastUnit: 40, Shown: 60*video.Second + 12*3600}, {VOB: 1, ID: 2, First: 100, LastUnit: 160, Last: 249, Shown: 61*video.Second + 12*3600}}
	data := vt.SetFile([][]video.Cell{want}, []int64{0, 40, 100, 160}, 250)
	s, err := parseSet(data)
	if err != nil || len(s.Problems) > 0 || len(s.Titles) != 1 || fmt.Sprint(s.Titles[0].Cells) != fmt.Sprint(want) || fmt.Sprint(s.Units) != "[0 40 100 160]" {
		t.Errorf("ParseTitleSet = %+v, %v; want the cells %v", s, err, want)
	}
	if got := s.Titles[0].Length().Duration(); got != 121*time.Second+960*time.Millisecond {
		t.Errorf("Length() = %v; want 2:01.96", got)
	}
	// What is missing is said, and what is there serves.
	for n, lost := range map[int64]string{1: "the table of chapters: missing", 3: "the map of units: missing"} {
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
	ifo, data := vt.Set(vt.Program{Pictures: 240}, vt.Program{Pictures: 120})
	set, err := parseSet(ifo)
	if err != nil || len(set.Titles) != 2 {
		t.Fatalf("ParseTitleSet = %+v, %v", set, err)
	}
	title, units := video.Title{Cells: []video.Cell{set.Titles[1].Cells[0], set.Titles[0].Cells[0]}}, set.Units
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
	whole := vt.SetFile([][]video.Cell{{{Last: 99, LastUnit: 40}, {First: 100, LastUnit: 160, Last: 249}}}, []int64{0, 40, 100, 160}, 250)
	f.Add(whole, uint16(0), uint16(0))
	f.Add(whole, uint16(2048), uint16(4096))
	manager := vt.ManagerFile(1)
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
