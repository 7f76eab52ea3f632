package found_test

import (
	"bytes"
	"encoding/binary"
	"errors"
	"fmt"
	"image"
	"image/color"
	"image/jpeg"
	"math/rand/v2"
	"testing"

	"turnstone/device/sector"
	"turnstone/imager/found"
	vt "turnstone/imager/video/videotest"
)

// disc is an image that is built sector by sector.
type disc struct{ data []byte }

func (d *disc) next() sector.LBA { return sector.LBA(len(d.data) / sector.Size) }

// add puts bytes behind, and where they begin.
func (d *disc) add(b []byte) sector.Range {
	at := d.next()
	d.data = append(d.data, b...)
	for len(d.data)%sector.Size != 0 {
		d.data = append(d.data, 0)
	}
	return sector.Range{First: at, End: d.next()}
}

// noise is sectors that are nothing.
func (d *disc) noise(n int) {
	r := rand.New(rand.NewPCG(uint64(len(d.data)), 1))
	b := make([]byte, n*sector.Size)
	for i := range b {
		b[i] = byte(r.Uint32())
	}
	for i := 0; i < len(b); i += sector.Size {
		b[i] = 0x55
	}
	d.add(b)
}

// holed reads an image of which some sectors are missing.
type holed struct {
	data []byte
	good sector.Set
}

var errMissing = errors.New("missing")

func (h *holed) ReadAt(p []byte, at int64) (int, error) {
	for i := range p {
		if at+int64(i) >= int64(len(h.data)) || !h.good.Contains(sector.LBA((at+int64(i))/sector.Size)) {
			return i, errMissing
		}
		p[i] = h.data[at+int64(i)]
	}
	return len(p), nil
}

// find runs the finder over an image with holes.
func find(d *disc, missing ...sector.Range) (streams, files []found.Find, cut int) {
	holes, all := sector.Of(missing...), sector.Of(sector.Span(0, int64(d.next())))
	h := &holed{d.data, all.Subtract(&holes)}
	f := found.New()
	for r := range h.good.Runs() {
		f.Take(r.First, d.data[r.First.Offset():r.End.Offset()])
	}
	files, cut = f.Files(h, int64(len(d.data)))
	return f.Streams(int64(d.next())), files, cut
}

func photo(t testing.TB, n int) []byte {
	t.Helper()
	m := image.NewRGBA(image.Rect(0, 0, 200+n, 150))
	for i := range m.Pix {
		m.Set(i%200, i/200%150, color.RGBA{byte(i * n), byte(i), byte(i >> 4), 255})
	}
	var b bytes.Buffer
	if err := jpeg.Encode(&b, m, nil); err != nil {
		t.Fatal(err)
	}
	return b.Bytes()
}

func avi(n int) []byte {
	movi := append([]byte("LIST\x00\x00\x00\x00movi"), bytes.Repeat([]byte("00dc\x04\x00\x00\x00abcd"), n)...)
	binary.LittleEndian.PutUint32(movi[4:], uint32(len(movi)-8))
	body := append([]byte("AVI LIST\x04\x00\x00\x00hdrl"), movi...)
	b := binary.LittleEndian.AppendUint32([]byte("RIFF"), uint32(len(body)))
	return append(b, body...)
}

func mp4(n int) []byte {
	box := func(kind string, body []byte) []byte {
		return append(append(binary.BigEndian.AppendUint32(nil, uint32(8+len(body))), kind...), body...)
	}
	b := append(box("ftyp", []byte("isom\x00\x00\x00\x00")), box("mdat", make([]byte, n))...)
	return append(b, box("moov", []byte("invented"))...)
}

func pdf() []byte {
	b := []byte("%PDF-1.4\n1 0 obj\n<<>>\nendobj\n")
	at := len(b)
	return append(b, fmt.Appendf(nil, "xref\n0 1\n0000000000 65535 f \ntrailer\n<<>>\nstartxref\n%d\n%%%%EOF\n", at)...)
}

// Recordings without addresses are cut where the clock breaks, over holes as well; a
// VOBS is placed by its own addresses, also where its first sectors are missing.
func TestStreams(t *testing.T) {
	d := &disc{}
	d.noise(20)
	one := d.add(vt.Program{Pictures: 200}.Bytes())
	two := d.add(vt.Program{Pictures: 150, Seed: 1}.Bytes())
	d.noise(3)
	vobs := d.add(vt.Program{Pictures: 300, NAV: true, VOB: 1}.Bytes())
	d.noise(5)
	three := d.add(vt.Program{Pictures: 100, Begins: 90000 * 3600}.Bytes())
	want := fmt.Sprint(one, two, vobs, three)
	for _, holes := range [][]sector.Range{
		nil,
		{sector.Span(one.First+50, 40), sector.Span(vobs.First, 30), sector.Span(three.First+10, 1)},
		{sector.Span(vobs.First+1, 60), sector.Span(two.First+100, 5)},
	} {
		streams, files, cut := find(d, holes...)
		var got []sector.Range
		kinds := ""
		for _, s := range streams {
			got, kinds = append(got, s.At), kinds+fmt.Sprint(s.Kind)
			if s.Size != s.At.Bytes() {
				t.Errorf("%v has %d bytes", s.At, s.Size)
			}
		}
		if s := fmt.Sprint(got); s != "["+want+"]" || kinds != "0010" || len(files) > 0 || cut > 0 {
			t.Errorf("with holes %v: %v, kinds %s, %d files, %d cut; want [%s]", holes, s, kinds, len(files), cut, want)
		}
	}
	// A hole over the edge of two takes: each as far as it is there.
	streams, _, _ := find(d, sector.Range{First: one.End - 10, End: two.First + 10})
	if len(streams) != 4 || streams[0].At.End != one.End-10 || streams[1].At.First != two.First+10 || streams[1].Joined != 0 {
		t.Errorf("with a hole over an edge: %+v", streams)
	}
	streams, _, _ = find(d, sector.Span(one.First+50, 40))
	if streams[0].Joined != 40 {
		t.Errorf("a take that goes on over 40 missing sectors: %+v", streams[0])
	}
}

// IFO files tell which VOBS is whose and where it ends; a backup is known by its place.
func TestSetsOfDVD(t *testing.T) {
	d := &disc{}
	d.noise(10)
	film, menu := vt.Program{Pictures: 120, NAV: true, VOB: 1}.Bytes(), vt.Program{Pictures: 24, NAV: true, VOB: 1}.Bytes()
	ifo := make([]byte, 3*sector.Size)
	copy(ifo, "DVDVIDEO-VTS")
	put := func(at, v int) { binary.BigEndian.PutUint32(ifo[at:], uint32(v)) }
	put(12, 6+(len(film)+len(menu))/sector.Size-1)
	put(28, 2)
	put(192, 3)
	put(196, 3+len(menu)/sector.Size)
	first := d.add(ifo)
	menus := d.add(menu)
	films := d.add(film)
	last := d.add(ifo)
	for _, holes := range [][]sector.Range{nil, {first}, {last}, {sector.Span(films.End-4, 4)}, {sector.Span(films.First, 20)}} {
		streams, _, _ := find(d, holes...)
		var got []string
		for _, s := range streams {
			set := ""
			if s.Set != nil {
				set = " of " + s.Set.String()
			}
			got = append(got, fmt.Sprintf("%d %v%s %v %v", s.Kind, s.At, set, s.Backup, s.Menus))
		}
		var want []string
		if len(holes) == 0 || holes[0] != first {
			want = append(want, fmt.Sprintf("2 %v false false", first))
		}
		want = append(want, fmt.Sprintf("1 %v of %v false true", menus, first), fmt.Sprintf("1 %v of %v false false", films, first))
		if len(holes) == 0 || holes[0] != last {
			want = append(want, fmt.Sprintf("2 %v true false", last))
		}
		if fmt.Sprint(got) != fmt.Sprint(want) {
			t.Errorf("with holes %v: %q; want %q", holes, got, want)
		}
	}
}

// Files with a certain end are found in full length; what is cut off or has a hole where
// its form is told is counted. The photos are what package image/jpeg wrote.
func TestFiles(t *testing.T) {
	d := &disc{}
	d.noise(5)
	type file struct {
		data []byte
		ext  string
		at   sector.Range
	}
	files := []file{{photo(t, 1), "jpg", sector.Range{}}, {avi(3000), "avi", sector.Range{}}, {photo(t, 7), "jpg", sector.Range{}}, {mp4(9000), "mp4", sector.Range{}}, {pdf(), "pdf", sector.Range{}}, {photo(t, 30), "jpg", sector.Range{}}}
	for i := range files {
		files[i].at = d.add(files[i].data)
		d.noise(i % 3)
	}
	d.add(photo(t, 50)[:5000]) // cut off
	d.noise(4)
	_, got, cut := find(d)
	if len(got) != len(files) || cut != 1 {
		t.Fatalf("found %+v, %d cut; want %d files and one cut off", got, cut, len(files))
	}
	for i, f := range files {
		if got[i].Size != int64(len(f.data)) || got[i].At != f.at || got[i].Ext != f.ext {
			t.Errorf("file %d = %+v; want %d bytes at %v, %s", i, got[i], len(f.data), f.at, f.ext)
		}
	}
	// A photo with a hole has no certain end; an AVI has one by its sizes.
	_, got, cut = find(d, sector.Span(files[0].at.First+1, 1), sector.Span(files[1].at.First+3, 1))
	if len(got) != len(files)-1 || cut != 2 || got[0].Ext != "avi" {
		t.Errorf("with holes: %+v, %d cut", got, cut)
	}
}

// Nothing is found twice, or beyond the disc, whatever the sectors hold.
func FuzzFind(f *testing.F) {
	d := &disc{}
	d.add(vt.Program{Pictures: 4, Group: 2, Picture: 20, NAV: true, VOB: 1}.Bytes())
	d.add(pdf())
	f.Add(d.data, uint16(1), uint16(1))
	d = &disc{}
	d.add(avi(3))
	d.add(mp4(8))
	d.add([]byte("\xff\xd8\xff\xc0\x00\x02\xff\xda\x00\x02abc\xff\xd9"))
	ifo := make([]byte, sector.Size)
	copy(ifo, "DVDVIDEO-VTS")
	ifo[15] = 3
	d.add(ifo)
	f.Add(d.data, uint16(0), uint16(0))
	f.Fuzz(func(t *testing.T, data []byte, hole, n uint16) {
		d := &disc{}
		d.add(data)
		streams, files, cut := find(d, sector.Span(sector.LBA(hole), int64(n%8)))
		disc := sector.Span(0, int64(d.next()))
		for i, s := range streams {
			if s.At.Empty() || !disc.Covers(s.At) || s.Kind >= found.JPEG {
				t.Errorf("found %+v on a disc of %v", s, disc)
			}
			if i > 0 && s.Kind != found.Info && streams[i-1].Kind != found.Info && streams[i-1].At.Overlaps(s.At) {
				t.Errorf("found %+v over %+v", s, streams[i-1])
			}
		}
		for i, x := range files {
			if x.Size <= 0 || x.At.First.Offset()+x.Size > int64(len(d.data)) || i > 0 && files[i-1].At.Overlaps(x.At) {
				t.Errorf("found %+v", x)
			}
		}
		if cut < 0 {
			t.Errorf("%d cut", cut)
		}
	})
}

// BenchmarkTake takes in a film and noise, beside a bare look at every byte of it (its
// checksum, as the image's reader makes it). "MB/s" is the finder's alone; the target
// with the reading of the image is 300.
func BenchmarkTake(b *testing.B) {
	d := &disc{}
	d.add(vt.Program{Pictures: 4000, NAV: true, VOB: 1}.Bytes())
	d.noise(4000)
	d.add(vt.Program{Pictures: 4000}.Bytes())
	b.SetBytes(int64(len(d.data)))
	for b.Loop() {
		f := found.New()
		f.Take(0, d.data)
		if n := len(f.Streams(int64(d.next()))); n != 2 {
			b.Fatalf("found %d", n)
		}
	}
}
