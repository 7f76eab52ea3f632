package volume

import (
	"encoding/binary"
	"errors"
	"io"
	"runtime"
	"slices"
	"testing"

	"turnstone/device/sector"
	"turnstone/imager/volume/tree"
	vt "turnstone/imager/volume/volumetest"
)

// spoilt is an image of which sectors are overlaid with others, or missing.
type spoilt struct {
	data  []byte
	over  map[sector.LBA][]byte
	holes sector.Set
	good  sector.Set
}

func spoil(data []byte) *spoilt { return &spoilt{data: data, over: map[sector.LBA][]byte{}} }

// at is a sector to be changed.
func (s *spoilt) at(a sector.LBA) []byte {
	if s.over[a] == nil {
		s.over[a] = slices.Clone(s.data[a.Offset():][:sector.Size])
	}
	return s.over[a]
}

func (s *spoilt) ReadSector(a sector.LBA, buf []byte) error {
	if !s.good.Contains(a) {
		return &tree.MissingError{Sector: a}
	}
	if b := s.over[a]; b != nil {
		copy(buf, b)
	} else {
		copy(buf, s.data[a.Offset():][:sector.Size])
	}
	return nil
}

func (s *spoilt) Sectors() int64    { return int64(len(s.data) / sector.Size) }
func (s *spoilt) Good() *sector.Set { return &s.good }

// open opens it and goes through all that Open gives.
func (s *spoilt) open(t testing.TB) *Volume {
	disc := sector.Of(sector.Span(0, s.Sectors()))
	s.good = disc.Subtract(&s.holes)
	v, err := Open(s, Options{})
	if err != nil {
		t.Fatalf("Open: %v", err)
	}
	bounded(t, v, len(s.data))
	entries, bytes := 0, int64(0)
	buf := make([]byte, 3000)
	for e := range v.All() {
		entries++
		missing, end := int64(0), int64(0)
		for _, x := range e.Extents {
			if x.Offset != end || x.Length <= 0 {
				t.Fatalf("%q: extent %+v does not go on from byte %d", e.Name, x, end)
			}
			end += x.Length
		}
		if e.Kind == tree.Regular && e.Size != tree.UnknownSize && e.Size != end && e.State == Whole {
			t.Fatalf("%q is whole with %d of %d bytes placed", e.Name, end, e.Size)
		}
		for hole := range v.Missing(e) {
			missing += hole.End - hole.First
		}
		if missing != e.MissingBytes && !e.Folder() {
			t.Fatalf("%q misses %d bytes, %d by its ranges", e.Name, e.MissingBytes, missing)
		}
		if entries%50 == 0 && e.Kind == tree.Regular {
			n, err := v.Content(e).ReadAt(buf, 0)
			if err != nil && err != io.EOF && !errors.Is(err, tree.ErrMissing) {
				t.Fatalf("%q: %v", e.Name, err)
			}
			if e.State == Whole && int64(n) < min(e.Size, int64(len(buf))) {
				t.Fatalf("%q is whole; %d of its bytes could be read", e.Name, n)
			}
		}
		bytes += int64(len(e.Name))
	}
	return v
}

// bomb is an image made to take time or memory.
func bombs() map[string]func() []byte {
	return map[string]func() []byte{
		"iso, each sector a directory of all": func() []byte {
			// 16,000 sectors, each a directory of many that overlap.
			data := make([]byte, 16000*sector.Size)
			copy(data, vt.ISO(nil, vt.File{Dir: true}, vt.ISOOptions{}))
			root := data[16*sector.Size+156:]
			place := func(b []byte, block, size uint32) {
				binary.LittleEndian.PutUint32(b[2:], block)
				binary.BigEndian.PutUint32(b[6:], block)
				binary.LittleEndian.PutUint32(b[10:], size)
				binary.BigEndian.PutUint32(b[14:], size)
			}
			place(root, 100, 1<<25)
			for a := 100; a < 16000; a++ {
				b := data[a*sector.Size:]
				for n := range 50 {
					r := b[n*40 : n*40+40]
					r[0], r[25], r[32] = 40, 2, 1
					r[33] = byte(n)
					place(r, uint32((a*31+n*977)%15900+100), 1<<24)
				}
				place(b, uint32(a), 1<<24)
			}
			return data
		},
		"iso, many files": func() []byte {
			data := make([]byte, 40000*sector.Size)
			copy(data, vt.ISO(nil, vt.File{Dir: true}, vt.ISOOptions{}))
			root := data[16*sector.Size+156:]
			binary.LittleEndian.PutUint32(root[2:], 100)
			binary.LittleEndian.PutUint32(root[10:], 39000*sector.Size)
			for a := 100; a < 39100; a++ {
				b := data[a*sector.Size:]
				for n := range 60 {
					r := b[n*34 : n*34+34]
					r[0], r[32], r[33] = 34, 1, byte('0'+n)
					binary.LittleEndian.PutUint32(r[2:], uint32(a))
					binary.LittleEndian.PutUint32(r[10:], 4000)
				}
				if a == 100 {
					b[25], b[33] = 2, 0
				}
			}
			return data
		},
		"udf, many names of one file with long descriptors": func() []byte {
			// One entry of 230 descriptors of 1 GiB each; a directory names it as often as
			// can be.
			file := vt.File{Name: "x", Data: vt.Bytes("x", 230*sector.Size), Parts: 230}
			root := vt.File{Dir: true, Children: []vt.File{file}}
			data := vt.UDF(root, vt.Sparable)
			grown := append(data, make([]byte, 60000*sector.Size)...)
			return bigDirectory(grown, len(data)/sector.Size)
		},
		"udf, a directory of broken identifiers": func() []byte {
			data := vt.UDF(vt.File{Dir: true, Children: []vt.File{{Name: "x"}}}, vt.Plain)
			grown := append(data, make([]byte, 60000*sector.Size)...)
			grown = bigDirectory(grown, len(data)/sector.Size)
			for a := len(data) / sector.Size; a < len(grown)/sector.Size; a++ {
				for i := 0; i+38 < sector.Size; i += 40 {
					b := grown[a*sector.Size+i:]
					binary.LittleEndian.PutUint16(b[36:], 3900) // a long one, its CRC wrong
				}
			}
			return grown
		},
	}
}

// bigDirectory makes the root of a plain UDF volume one that takes the sectors from
// first on, full of identifiers of the first file.
func bigDirectory(data []byte, first int) []byte {
	n := len(data)/sector.Size - first
	// The root's entry is in the second block; its directory is found by its first
	// identifier, behind its own one.
	b := data[(vt.UDFStart+1)*sector.Size:]
	at := vt.UDFStart + int(binary.LittleEndian.Uint32(b[176+4:]))
	own := data[at*sector.Size:]
	child := slices.Clone(own[40:80])
	binary.LittleEndian.PutUint64(b[56:], uint64(n)*sector.Size)
	desc := []byte{}
	for i := 0; i < n; i += 1 << 18 {
		desc = binary.LittleEndian.AppendUint32(desc, uint32(min(n-i, 1<<18)*sector.Size))
		desc = binary.LittleEndian.AppendUint32(desc, uint32(first+i-vt.UDFStart))
	}
	copy(b[176:], desc)
	binary.LittleEndian.PutUint32(b[172:], uint32(len(desc)))
	binary.LittleEndian.PutUint16(b[10:], uint16(160+len(desc)))
	vt.Seal(b)
	for a := first; a < first+n; a++ {
		for i := 0; i+40 <= sector.Size; i += 40 {
			copy(data[a*sector.Size+i:], child)
		}
	}
	return data
}

// Whatever an image holds, Open ends, and keeps less than 200 MB.
func TestBombs(t *testing.T) {
	for name, make := range bombs() {
		t.Run(name, func(t *testing.T) {
			data := make()
			var before, after runtime.MemStats
			liveBefore() // builds them
			runtime.GC()
			runtime.ReadMemStats(&before)
			v := spoil(data).open(t)
			runtime.ReadMemStats(&after)
			n := 0
			for range v.All() {
				n++
			}
			grown := int64(after.HeapInuse) - int64(before.HeapInuse)
			t.Logf("%d entries, cut %v, %d MB", n, v.Cut, grown>>20)
			if limit := int64(200 << 20); grown > limit {
				t.Errorf("Open took %d MB of memory; want at most %d", grown>>20, limit>>20)
			}
			if v.Root == nil {
				t.Error("the image has no tree: no test")
			}
			runtime.KeepAlive(v)
		})
	}
}
