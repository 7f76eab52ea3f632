package press

import (
	"bytes"
	"crypto/sha256"
	"errors"
	"fmt"
	"io"
	"strings"
	"testing"

	"turnstone/imager/volume"
	"turnstone/imager/volume/tree"
)

// whole is a disc as the reader of volumes wants it.
func whole(disc []byte) *tree.File { return tree.Whole(bytes.NewReader(disc), int64(len(disc))) }

// The same disc has the same bytes every time and everywhere. The sum is our own: who
// changes what is recorded, changes it here.
func TestTheSameEverywhere(t *testing.T) {
	const want = "66000ec8e29f57380914c9934faaeb37b2e72bdfe8d9e2094bc4e3d72633d219"
	if got := fmt.Sprintf("%x", sha256.Sum256(written(t, small()))); got != want {
		t.Errorf("the small disc's SHA-256 = %s; want %s", got, want)
	}
}

// Our own reader finds both file systems whole, and each file with its bytes.
func TestOwnReader(t *testing.T) {
	v, err := volume.Open(whole(written(t, small())), volume.Options{})
	if err != nil {
		t.Fatal(err)
	}
	got := map[string][]byte{}
	for e := range v.Files() {
		if got[e.Path()], err = io.ReadAll(v.Content(e)); err != nil {
			t.Fatal(err)
		}
		if !e.Modified.Equal(made) && !strings.HasPrefix(e.Name, "VTS_02") {
			t.Errorf("%s is of %v; want %v", e.Path(), e.Modified, made)
		}
	}
	same(t, "volume.Open", got, files(small()))
	if len(v.Problems) > 0 || len(v.Systems) != 2 || v.Systems[0].Kind != tree.UDF || v.Systems[0].Version != "1.02" || v.Systems[0].Label != "SMALL" {
		t.Errorf("volume.Open() = %+v, problems %v; want UDF 1.02 and ISO 9660, SMALL, none", v.Systems, v.Problems)
	}
}

// Every pack of a film is a sector; NAV packs address themselves and what follows them;
// the clock never stands still, and a group of pictures has come in before it is shown.
func TestFilm(t *testing.T) {
	s := record(1, 130, "1")
	var scr, clockBefore int64 = 0, -1
	for k, u := range s.units {
		for a := u.first; a < u.end; a++ {
			p := s.data[a*size:][:size]
			if !bytes.Equal(p[:4], []byte{0, 0, 1, 0xBA}) {
				t.Fatalf("sector %d begins with % x; want a pack", a, p[:4])
			}
			// The layout of an SCR: 01bb b1bb bbbb bbbb bbbb b1bb bbbb bbbb bbbb b1… (13818-1 table 2-33)
			scr = int64(p[4]>>3&7)<<30 | int64(p[4]&3)<<28 | int64(p[5])<<20 | int64(p[6]>>3)<<15 | int64(p[6]&3)<<13 | int64(p[7])<<5 | int64(p[8]>>3)
			if scr <= clockBefore {
				t.Fatalf("sector %d has SCR %d, behind %d", a, scr, clockBefore)
			}
			clockBefore = scr
			if isNav := bytes.Equal(p[38:42], []byte{0, 0, 1, 0xBF}); isNav != (a == u.first) {
				t.Fatalf("sector %d: NAV pack: %v; want %v", a, isNav, a == u.first)
			}
		}
		nav := s.data[u.first*size:][:size]
		pci, dsi := nav[45:], nav[1031:]
		next := len(s.data) / size
		if k+1 < len(s.units) {
			next = s.units[k+1].first
		}
		for _, f := range []struct {
			what      string
			got, want uint32
		}{
			{"nv_pck_lbn (PCI)", be.Uint32(pci), uint32(u.first)}, {"nv_pck_lbn (DSI)", be.Uint32(dsi[4:]), uint32(u.first)},
			{"vobu_s_ptm", be.Uint32(pci[12:]), uint32(46_800 + k*43_200)}, {"vobu_e_ptm", be.Uint32(pci[16:]), uint32(46_800 + (k+1)*43_200)},
			{"vobu_ea", be.Uint32(dsi[8:]), uint32(next - u.first - 1)}, {"nv_pck_scr", be.Uint32(dsi), uint32(k * 43_200)},
			{"vobu_c_idn", uint32(dsi[27]), uint32(1 + k/125)},
		} {
			if f.got != f.want {
				t.Errorf("unit %d: %s = %d; want %d", k, f.what, f.got, f.want)
			}
		}
		if last := u.refs[0]; last < 1 || u.refs[1] < last || u.refs[2] < u.refs[1] || u.first+u.refs[2] >= u.end {
			t.Errorf("unit %d (%d to %d): pictures end at %v", k, u.first, u.end, u.refs)
		}
	}
	// The last pack of a group comes before its first picture is decoded, and never more
	// than a decoder's buffer of 224 KiB (13818-2 table 8-14) is ahead.
	for k, u := range s.units {
		if n := (u.end - u.first) * size; 2*n > 224<<10 {
			t.Errorf("unit %d has %d bytes; two of them are more than a decoder keeps", k, n)
		}
	}
}

// A copy of what tells about a set lies in an ECC block of its own, where the set's last
// sector says (last sector of the set − last sector of the IFO, from the set's start).
func TestCopiesLieApart(t *testing.T) {
	disc := written(t, small())
	v, err := volume.Open(whole(disc), volume.Options{})
	if err != nil {
		t.Fatal(err)
	}
	at := map[string]int{}
	for e := range v.Files() {
		if len(e.Extents) > 0 {
			at[e.Name] = int(e.Extents[0].At / size)
		}
	}
	for _, name := range []string{"VIDEO_TS", "VTS_01_0", "VTS_02_0"} {
		ifo, bup := at[name+".IFO"], at[name+".BUP"]
		b := disc[ifo*size:]
		setEnd, ifoEnd := int(be.Uint32(b[12:])), int(be.Uint32(b[28:]))
		if bup != ifo+setEnd-ifoEnd || bup%16 != 0 || ifo%16 != 0 {
			t.Errorf("%s: the IFO at %d ends at +%d, its set at +%d, the BUP is at %d", name, ifo, ifoEnd, setEnd, bup)
		}
		if n := (ifoEnd + 1) * size; !bytes.Equal(b[:n], disc[bup*size:][:n]) {
			t.Errorf("%s: IFO and BUP differ", name)
		}
		vob := name[:6] + "_1.VOB"
		told := ifo + int(be.Uint32(b[196:]))
		if name == "VIDEO_TS" {
			vob, told = "VIDEO_TS.VOB", ifo+int(be.Uint32(b[192:]))
		}
		if at[vob] != told {
			t.Errorf("%s: its video is at %d; told is %d", name, at[vob], told)
		}
	}
}

func TestWhatDoesNotFit(t *testing.T) {
	many := Folder{Name: "MANY"}
	for i := range 12_000 {
		many.Files = append(many.Files, File{Name: fmt.Sprintf("FILE%05d.TXT", i), Made: made})
	}
	for _, c := range []struct {
		name, want string
		change     func(d *Disc)
	}{
		{"no film", "0 films", func(d *Disc) { d.Films = nil }},
		{"too many films", "100 films", func(d *Disc) { d.Films = make([]Film, 100) }},
		{"too small a disc", "the disc has 500", func(d *Disc) { d.Sectors = 500 }},
		{"too many files", "there is room before 256", func(d *Disc) { d.Folders = append(d.Folders, many) }},
	} {
		d := small()
		c.change(&d)
		if err := d.Write(io.Discard); err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%s: Write() = %v; want %q", c.name, err, c.want)
		}
	}
	full := errors.New("no space left")
	d := small()
	if err := d.Write(failing{full}); !errors.Is(err, full) {
		t.Errorf("Write(to a full disk) = %v; want %v", err, full)
	}
}

type failing struct{ error }

func (f failing) Write([]byte) (int, error) { return 0, f.error }

func BenchmarkFilm(b *testing.B) {
	for b.Loop() {
		b.SetBytes(int64(len(record(1, 125, "1").data)))
	}
}
