package volume

import (
	"bytes"
	"encoding/binary"
	"runtime"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"turnstone/device/sector"
	"turnstone/device/sim/press"
	vt "turnstone/imager/volume/volumetest"
)

// victim is a disc to be spoilt, and where its structures lie.
type victim struct {
	data []byte
	hot  []sector.LBA
}

// victims is the discs of our own writers with a file system of a kind: "iso" or "udf".
// A DVD-Video has both.
func victims(kind string) (all []victim) {
	discs := ownDiscs()
	names := []string{}
	for name := range discs {
		if strings.HasPrefix(name, kind) {
			names = append(names, name)
		}
	}
	slices.Sort(names)
	var b bytes.Buffer
	d := press.Disc{Label: "BOTH", Made: vt.When, Menu: time.Second, Sectors: 700, Films: []press.Film{{Length: time.Second, Made: vt.When}},
		Folders: []press.Folder{{Name: "PHOTOS", Files: []press.File{{Name: "A.JPG", Made: vt.When, Data: press.Photo(1, 9, 9)}}}}}
	if err := d.Write(&b); err != nil {
		panic(err)
	}
	for _, data := range append([][]byte{b.Bytes()}, func() (all [][]byte) {
		for _, name := range names {
			all = append(all, discs[name])
		}
		return all
	}()...) {
		v, err := Open(wholeImage(data), Options{})
		if err != nil {
			panic(err)
		}
		s := v.Structures.Descriptors.Union(&v.Structures.Tables)
		s = s.Union(&v.Structures.Directories)
		x := victim{data: data}
		for r := range s.Runs() {
			for a := r.First; a < r.End; a++ {
				x.hot = append(x.hot, a)
			}
		}
		all = append(all, x)
	}
	return all
}

var (
	isoVictims = sync.OnceValue(func() []victim { return victims("iso") })
	udfVictims = sync.OnceValue(func() []victim { return victims("udf") })
)

// FuzzISO9660 and FuzzUDF change the structures of discs of our own writers, sealing
// them again where they carry a checksum. No change may bring a panic, an endless loop,
// more than 200 MB, or a tree that contradicts itself. Campaigns: .ci/run.
func FuzzISO9660(f *testing.F) { fuzzSpoilt(f, isoVictims) }
func FuzzUDF(f *testing.F)     { fuzzSpoilt(f, udfVictims) }

func fuzzSpoilt(f *testing.F, victims func() []victim) {
	f.Add([]byte{0})
	for i := range byte(9) {
		f.Add([]byte{i, 0, 0, 0, 0, 1, 9, 1, 0, 1, 0, 2, 8, 2, 0, 2, 9, 3, 0, 3, 0, 4, 1, 4})
		f.Add([]byte{i, 4, 0, 0, 0, 255, 255, 5, 0, 0, 0, 60, 1, 6, 0, 0, 0, 3, 0})
	}
	f.Fuzz(func(t *testing.T, in []byte) {
		if len(in) == 0 || len(in) > 400 {
			return
		}
		x := victims()[int(in[0])%len(victims())]
		s := spoil(x.data)
		for in = in[1:]; len(in) >= 6; in = in[6:] {
			a := x.hot[int(binary.LittleEndian.Uint16(in[1:]))%len(x.hot)]
			at := int(binary.LittleEndian.Uint16(in[3:])) % sector.Size
			b := s.at(a)
			switch in[0] % 6 {
			case 0:
				b[at] = in[5]
			case 1: // a large number
				copy(b[at:], []byte{255, 255, 255, in[5]})
			case 2: // another structure
				copy(b, s.at(x.hot[(int(in[5])*7+at)%len(x.hot)]))
			case 3:
				s.holes.Add(sector.Span(a, 1+int64(in[5]%8)))
			case 4: // the place of a structure, as a number
				binary.LittleEndian.PutUint32(b[at/4*4:], uint32(x.hot[int(in[5])%len(x.hot)]))
			case 5: // as a block
				binary.LittleEndian.PutUint32(b[at/4*4:], uint32(in[5]))
			}
			if n := int(binary.LittleEndian.Uint16(b[10:])); b[1] <= 1 && n+16 <= len(b) && string(b[1:4]) != "CD0" {
				vt.Seal(b)
			}
		}
		s.open(t)
	})
}

// most is how much memory a volume may take.
const most = 200 << 20

// bounded fails where a volume takes more, beside an image of so many bytes and the discs
// that are to be spoilt.
func bounded(t testing.TB, v *Volume, image int) {
	t.Helper()
	var m runtime.MemStats
	if runtime.ReadMemStats(&m); m.HeapAlloc <= most {
		return
	}
	runtime.GC()
	if runtime.ReadMemStats(&m); m.HeapAlloc > most+liveBefore()+uint64(image) {
		t.Errorf("with the volume %d MB are in use, %d MB without; want at most %d more", m.HeapAlloc>>20, (liveBefore()+uint64(image))>>20, most>>20)
	}
	runtime.KeepAlive(v)
}

// liveBefore is what the discs of the tests take.
var liveBefore = sync.OnceValue(func() uint64 {
	n := 0
	for _, x := range append(isoVictims(), udfVictims()...) {
		n += len(x.data) + 8*len(x.hot)
	}
	return uint64(n)
})
