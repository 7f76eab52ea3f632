package sim

import (
	"path/filepath"
	"strings"
	"testing"

	"turnstone/device"
	"turnstone/device/sector"
	"turnstone/ecc/cd"
)

// compact opens a CD of the scenarios that lie beside the tests.
func compact(t testing.TB, name string) *Disc {
	t.Helper()
	s, err := Load(filepath.Join("../../testdata/scenarios/cd", name+".json"))
	if err != nil {
		t.Fatal(err)
	}
	d, err := New(s)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { d.Close() })
	return d
}

// Quick and real way agree: on how many sectors come at one attempt, and how many bytes
// are doubtful. They differ by words that C1 takes for others (package circ).
func TestCDRealAndQuickAgree(t *testing.T) {
	for _, name := range []string{"scratched", "worn"} {
		d := compact(t, name)
		type sum struct{ tried, came, doubtful, unseen float64 }
		var sums [2]sum
		for i, real := range []bool{false, true} {
			v, err := d.Open(Opening{Real: real})
			if err != nil {
				t.Fatal(err)
			}
			for a := sector.LBA(0); int64(a) < d.scenario.Sectors; a++ {
				if v.cd.look(int64(a)) != unsure || a%7 != 0 {
					continue
				}
				n, err := v.try(a)
				if err != nil {
					t.Fatal(err)
				}
				x := &sums[i]
				x.tried++
				x.doubtful += float64(n)
				raw := v.cd.attempt.raw
				var right [cd.Size]byte
				if err := d.recorded(a, right[:]); err != nil {
					t.Fatal(err)
				}
				for i := range raw {
					if raw[i] != right[i] && v.cd.attempt.c2[i/8]<<(i%8)&0x80 == 0 {
						x.unseen++
					}
				}
				if v.cd.attempt.delivers(a, n) {
					x.came++
				}
			}
		}
		quick, real := sums[0], sums[1]
		t.Logf("%s: %v sectors unsure; come at one attempt %.3f and %.3f; doubtful bytes %.1f and %.1f; wrong and not doubtful %.2f",
			name, quick.tried, quick.came/quick.tried, real.came/real.tried, quick.doubtful/quick.tried, real.doubtful/real.tried, real.unseen/real.tried)
		if quick.tried != real.tried || quick.tried < 100 {
			t.Fatalf("%s: %v and %v sectors were tried; want the same, and 100 at least", name, quick.tried, real.tried)
		}
		if diff := (quick.came - real.came) / quick.tried; diff > 0.05 || diff < -0.05 {
			t.Errorf("%s: %v of %v sectors come by counting, %v by decoding; want them within 5 %%", name, quick.came, quick.tried, real.came)
		}
		if ratio := real.doubtful / quick.doubtful; ratio < 0.9 || ratio > 1.1 {
			t.Errorf("%s: %v bytes are doubtful by counting, %v by decoding; want them within a tenth", name, quick.doubtful, real.doubtful)
		}
		if quick.unseen != 0 || real.unseen > 0.05*real.doubtful {
			t.Errorf("%s: %v bytes are wrong and not doubtful by counting, %v by decoding; want 0, and under a twentieth of the doubtful", name, quick.unseen, real.unseen)
		}
	}
}

// The same scenario gives the same readings.
func TestCDIsDeterministic(t *testing.T) {
	var first []Raw
	for range 2 {
		d := compact(t, "scratched")
		v, err := d.Open(Opening{})
		if err != nil {
			t.Fatal(err)
		}
		var got []Raw
		for a := sector.LBA(1000); a < 1300; a++ {
			raw, _ := v.ReadRaw(t.Context(), a)
			got = append(got, raw)
		}
		if first == nil {
			first = got
			continue
		}
		for i := range got {
			if got[i] != first[i] {
				t.Fatalf("reading %d differs from that of another opening; want the same", i)
			}
		}
	}
}

// put is a drive that a scenario's disc was put into.
func put(t *testing.T, scenario string) *Drive {
	t.Helper()
	s, err := Parse([]byte(scenario))
	if err != nil {
		t.Fatal(err)
	}
	d, err := New(s)
	if err != nil {
		t.Fatal(err)
	}
	v, err := d.Open(Opening{})
	if err != nil {
		t.Fatal(err)
	}
	return v
}

// What READ delivers is what lies on the disc, and raw sectors are it where nothing is
// doubtful.
func TestCDDelivers(t *testing.T) {
	v := put(t, `{"disc": {"kind": "cd", "sectors": 400}, "drives": [{"name": "A"}], "rounds": [{}]}`)
	if info := v.Info(); info.Kind != "cd" || info.BlockSectors != 1 || info.WholeBlocks {
		t.Errorf("Info() = kind %s, blocks of %d, whole %v; want cd, 1, false", info.Kind, info.BlockSectors, info.WholeBlocks)
	}
	if err := v.Ask(sector.Span(300, 64)); err != nil {
		t.Fatal(err)
	}
	a, err := v.Answer(t.Context())
	if err != nil || a.Err != nil || a.Good() != 64 {
		t.Fatalf("Answer() = %d sectors, %v, %v; want 64", a.Good(), a.Err, err)
	}
	data := append([]byte(nil), a.Data...)
	for i := range 64 {
		at := sector.LBA(300 + i)
		raw, err := v.ReadRaw(t.Context(), at)
		if err != nil {
			t.Fatal(err)
		}
		kind, lba, err := cd.Detect(raw.Data[:])
		if err != nil || kind != cd.Mode1 || lba != int64(at) {
			t.Errorf("sector %d: Detect() = %v, %d, %v; want mode 1 of it", at, kind, lba, err)
		}
		if v, err := cd.Verify(raw.Data[:], kind); err != nil || v != cd.Clean {
			t.Errorf("sector %d: Verify() = %v, %v; want clean", at, v, err)
		}
		user, _ := cd.UserData(raw.Data[:], kind)
		if string(user) != string(data[i*sector.Size:][:sector.Size]) {
			t.Errorf("sector %d: the user's data of the raw sector is not what READ brings", at)
		}
	}
}

// A hole in the layer is there whatever is done to the surface, and takes what no drive
// gets back.
func TestHolesStay(t *testing.T) {
	d := compact(t, "label-holes")
	var missing [2]int
	for round := range missing {
		v, err := d.Open(Opening{Round: round})
		if err != nil {
			t.Fatal(err)
		}
		for a := range d.scenario.Sectors {
			if v.cd.look(a) == lost {
				missing[round]++
			}
		}
	}
	if missing[0] == 0 || missing[1] < missing[0]/2 {
		t.Errorf("the track is lost in %d sectors, after polishing in %d; want some, and most of them still", missing[0], missing[1])
	}
}

func TestCDScenarioErrors(t *testing.T) {
	const ok = `{"disc": {"kind": "cd", "sectors": 100, "tracks": [{"mode": "form1", "sectors": 60}, {"mode": "form2", "sectors": 40}]},
		"marks": [{"hole": {"at_mm": [30, 0], "radius_mm": 0.5}}], "drives": [{"name": "A", "max_x": 48}], "rounds": [{}]}`
	s, err := Parse([]byte(ok))
	if err != nil || !s.CD() || len(s.Tracks()) != 2 || s.Blocks() != 100 {
		t.Fatalf("Parse() = %+v, %v; want a CD with two tracks", s, err)
	}
	for change, want := range map[string]string{
		`"sectors": 40>"sectors": 41`:                 "101 sectors in all",
		`"form2">"form3"`:                             "form3",
		`"kind": "cd">"kind": "bd"`:                   `"bd"`,
		`"max_x": 48>"max_x": 47`:                     "47 is not one of",
		`"radius_mm": 0.5>"radius_mm": "x"`:           "radius_mm",
		`"sectors": 100,>"sectors": 100, "x": 1,`:     "unknown key",
		`"sectors": 100,>"sectors": 500000,`:          "500000",
		`"sectors": 100,>"sectors": 100, "layers":1,`: "unknown key",
	} {
		from, to, _ := strings.Cut(change, ">")
		if _, err := Parse([]byte(strings.Replace(ok, from, to, 1))); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("with %s: Parse() = %v; want an error about %q", to, err, want)
		}
	}
	dvd := `{"disc": {"kind": "dvd", "sectors": 1600}, "marks": [{"hole": {"at_mm": [30, 0], "radius_mm": 0.5}}], "drives": [{"name": "A"}], "rounds": [{}]}`
	if _, err := Parse([]byte(dvd)); err == nil || !strings.Contains(err.Error(), "under the label") {
		t.Errorf("a DVD with a hole: Parse() = %v; want it refused", err)
	}
}

// Tracks of all kinds: their raw sectors are what the kind says.
func TestCDTracks(t *testing.T) {
	v := put(t, `{"seed": 3, "disc": {"kind": "cd", "sectors": 80, "tracks": [{"mode": "mode1", "sectors": 20}, {"mode": "form1", "sectors": 20},
		{"mode": "form2", "sectors": 20}, {"mode": "audio", "sectors": 20}]}, "drives": [{"name": "A"}], "rounds": [{}]}`)
	for at, want := range map[sector.LBA]cd.Kind{5: cd.Mode1, 25: cd.Form1, 45: cd.Form2} {
		raw, err := v.ReadRaw(t.Context(), at)
		if err != nil {
			t.Fatal(err)
		}
		if k, _, _ := cd.Detect(raw.Data[:]); k != want {
			t.Errorf("sector %d is %v; want %v", at, k, want)
		}
		if v, _ := cd.Verify(raw.Data[:], want); v != cd.Clean {
			t.Errorf("sector %d: Verify() = %v; want clean", at, v)
		}
	}
	raw, err := v.ReadRaw(t.Context(), 70)
	if _, _, detected := cd.Detect(raw.Data[:]); err != nil || detected == nil {
		t.Errorf("sound: %v, Detect() = %v; want no header", err, detected)
	}
	if _, err := v.ReadRaw(t.Context(), 80); err == nil {
		t.Error("ReadRaw() beyond the disc = nil; want an error")
	}
	dvd := disc(t)
	w, err := dvd.Open(Opening{})
	if err != nil {
		t.Fatal(err)
	}
	if _, err := w.ReadRaw(t.Context(), 0); err != device.ErrUnsupported {
		t.Errorf("ReadRaw() of a DVD = %v; want %v", err, device.ErrUnsupported)
	}
}
