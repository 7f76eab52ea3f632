package sim

import (
	"os"
	"path/filepath"
	"strings"
	"testing"
)

// testDisc is a small disc, of the 3,000 blocks between 24 and 25.2 mm.
const testDisc = `{"name": "test", "seed": 1,
 "disc": {"kind": "dvd", "sectors": 48000},
 "drives": [{"name": "A", "partial": true}],
 "rounds": [{"treatments": []}]}`

// parsed is testDisc with some changes: pairs of what is there and what is to be.
func parsed(t testing.TB, changes ...string) *Scenario {
	t.Helper()
	s, err := Parse([]byte(strings.NewReplacer(changes...).Replace(testDisc)))
	if err != nil {
		t.Fatal(err)
	}
	return s
}

// disc is the disc of parsed.
func disc(t testing.TB, changes ...string) *Disc {
	t.Helper()
	d, err := New(parsed(t, changes...))
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { d.Close() })
	return d
}

const disc0 = `"disc": {"kind": "dvd", "sectors": 48000}`

// marked is the change that puts marks onto testDisc.
func marked(marks string) []string { return []string{disc0, disc0 + `, "marks": [` + marks + `]`} }

func TestScenarioErrors(t *testing.T) {
	drive0 := `{"name": "A", "partial": true}`
	round0 := `{"treatments": []}`
	scratch := func(rest string) string {
		return disc0 + ",\n\"marks\": [{\"scratch\": {\"points_mm\": [[24, 0], [25, 0]], " + rest + "}}]"
	}
	for _, test := range []struct{ name, old, new, want string }{
		{"nothing", testDisc, "", "line 1: the file ends too early"},
		{"cut off", `"rounds": [{"treatments": []}]}`, `"rounds": [{`, "line 4: the file ends too early"},
		{"two documents", `]}]}`, `]}]} {}`, "line 4: something follows the end of the document"},
		{"not JSON", `"seed": 1`, `seed: 1`, "line 1: invalid character 's'"},
		{"a list", testDisc, `[]`, "line 1: the document: an object is wanted, not a list"},
		{"nested", `"seed": 1`, `"seed": ` + strings.Repeat("[", 30) + strings.Repeat("]", 30), "line 1: nested too deeply"},
		{"unknown key", `"sectors": 48000`, "\"sectors\": 48000,\n\"track_pitch\": 1", `line 3: disc.track_pitch: unknown key; known here: kind, sectors`},
		{"unknown key at top", `"seed": 1`, `"sed": 1`, "line 1: sed: unknown key; known here: name, seed"},
		{"key twice", `"seed": 1`, `"seed": 1, "seed": 2`, `line 1: key "seed" is there twice`},
		{"wrong unit", disc0, scratch(`"width_cm": 0.02, "depth_um": 30`), "line 3: marks[0].scratch.width_mm: missing"},
		{"unit added", disc0, scratch(`"width_mm": 0.02, "depth_um": 30, "depth_mm": 1`), "line 3: marks[0].scratch.depth_mm: unknown key"},
		{"negative", disc0, scratch(`"width_mm": -0.2, "depth_um": 30`), "line 3: marks[0].scratch.width_mm: -0.2 is not between 0.001 and 60"},
		{"absurd", disc0, scratch(`"width_mm": 1e300, "depth_um": 30`), "marks[0].scratch.width_mm: 1e300 is not between"},
		{"beyond numbers", disc0, scratch(`"width_mm": 1e999, "depth_um": 30`), "marks[0].scratch.width_mm: 1e999 is not between"},
		{"text for a number", disc0, scratch(`"width_mm": "1", "depth_um": 30`), "a number is wanted, not a text"},
		{"null", disc0, scratch(`"width_mm": null, "depth_um": 30`), "a number is wanted, not null"},
		{"one point", disc0, `"marks": [{"scratch": {"points_mm": [[24, 0]], "width_mm": 1, "depth_um": 3}}], ` + disc0, "points_mm: 1 entries, not 2 to"},
		{"odd point", disc0, `"marks": [{"scratch": {"points_mm": [[24, 0], [25]], "width_mm": 1, "depth_um": 3}}], ` + disc0, "points_mm[1]: 1 entries, not 2 to 2"},
		{"outside", disc0, `"marks": [{"scratch": {"points_mm": [[70, 0], [70, 70]], "width_mm": 1, "depth_um": 3}}], ` + disc0, "line 2: marks[0]: lies outside the disc"},
		{"blot outside", disc0, `"marks": [{"blot": {"at_mm": [61.1, 0], "radius_mm": 1}}], ` + disc0, "marks[0]: lies outside the disc"},
		{"far outside", disc0, `"marks": [{"blot": {"at_mm": [6100, 0], "radius_mm": 1}}], ` + disc0, "at_mm: 6100 is not between -200 and 200"},
		{"arc backwards", disc0, `"marks": [{"arc": {"r_mm": 24, "from_deg": 20, "to_deg": 10, "width_mm": 1, "depth_um": 1}}], ` + disc0, "to_deg: 10 is not above from_deg (20) by at most 360"},
		{"haze ring inside out", disc0, `"marks": [{"haze": {"region_mm": [25, 24], "density": 1}}], ` + disc0, "region_mm: 25 is not below 24"},
		{"two kinds", disc0, `"marks": [{"blot": {"at_mm": [24, 0], "radius_mm": 1}, "arc": {}}], ` + disc0, "only one can be there"},
		{"no kind", disc0, `"marks": [{}], ` + disc0, "marks[0]: one of scratch, arc, haze, blot, hole is wanted"},
		{"unknown kind", disc0, `"marks": [{"dent": {}}], ` + disc0, "marks[0].dent: unknown key"},
		{"a million marks", disc0, `"marks": [` + strings.Repeat("{},", 999_999) + `{}], ` + disc0, "marks: 1000000 entries, not 0 to 20000"},
		{"more values than that", disc0, `"marks": [` + strings.Repeat("0,", 1_999_999) + `0], ` + disc0, "more than 1048576 values"},
		{"too many hazes", disc0, `"marks": [` + strings.Repeat(`{"haze": {"region_mm": [1, 2], "density": 1}},`, 1000) + `{"haze": {"region_mm": [1, 2], "density": 1}}], ` + disc0, "more than 1000 hazes"},
		{"no disc", disc0 + ",", "", "line 1: disc: missing"},
		{"no kind of disc", `"kind": "dvd", `, "", `disc.kind: ""; "dvd" and "cd" are simulated`},
		{"a Blu-ray", `"dvd"`, `"bd"`, `disc.kind: "bd"; "dvd" and "cd" are simulated`},
		{"2^60 sectors", `48000`, `1152921504606846976`, "line 2: disc.sectors: 1152921504606846976 is not a whole number between 16 and 8388608"},
		{"half a block", `48000`, `48008`, "line 2: disc.sectors: 48008 is not a whole number of ECC blocks of 16 sectors"},
		{"half a sector", `48000`, `48000.5`, "disc.sectors: 48000.5 is not a whole number"},
		{"too full", `48000`, `2998496`, "line 2: disc: spiral: layer 0"},
		{"three layers", `48000`, `48000, "layers": 3`, "disc.layers: 3 is not a whole number between 1 and 2"},
		{"layer beyond", `48000`, `48000, "layers": 2, "layer0_sectors": 48000`, "leave none to the second layer"},
		{"inner layer short", `48000`, `48000, "layers": 2, "layer0_sectors": 16000`, "line 2: disc: spiral: layer 1"},
		{"layer of one", `48000`, `48000, "layer0_sectors": 16000`, "the disc has one layer"},
		{"pitch", `48000`, `48000, "pitch_um": 0.00074`, "disc.pitch_um: 0.00074 is not between 0.7 and 0.8"},
		{"two contents", `48000`, `48000, "content": {"image": "x", "noise": true}`, "either an image or noise is wanted"},
		{"no content", `48000`, `48000, "content": {}`, "either an image or noise is wanted"},
		{"no drives", `"drives": [` + drive0 + `],`, "", "line 1: drives: missing"},
		{"empty drives", drive0, ``, "drives: 0 entries, not 1 to 16"},
		{"nameless drive", drive0, `{}`, "drives[0].name: a drive needs one"},
		{"two of a name", drive0, drive0 + ",\n" + drive0, `line 4: drives[1].name: "A" is the name of two drives`},
		{"speed", drive0, `{"name": "A", "max_x": 5}`, "drives[0].max_x: 5 is not one of [16 12 8 6 4 2]"},
		{"retries below the least", drive0, `{"name": "A", "retries": 3, "min_retries": 4}`, "drives[0].retries: 3 is below min_retries (4)"},
		{"negative retries", drive0, `{"name": "A", "retries": -1}`, "drives[0].retries: -1 is not a whole number between 0 and 255"},
		{"noise", drive0, `{"name": "A", "noise": 0}`, "drives[0].noise: 0 is not between"},
		{"stall", drive0, `{"name": "A", "stall": {"min_s": 10, "max_s": 5}}`, "drives[0].stall.max_s: 5 is below min_s (10)"},
		{"cure", drive0, `{"name": "A", "stall": {"needs": "luck"}}`, `"luck" is none of wait, reset, reload`},
		{"partial", drive0, `{"name": "A", "partial": 1}`, "drives[0].partial: true or false is wanted, not a number"},
		{"no rounds", ",\n \"rounds\": [{\"treatments\": []}]", "", "line 1: rounds: missing"},
		{"empty rounds", round0, ``, "rounds: 0 entries, not 1 to 100"},
		{"grit", round0, `{"treatments": [{"sand": {"grit": 80, "strokes": 1, "region_mm": [20, 60]}}]}`, "rounds[0].treatments[0].sand.grit: 80 is not one that the model knows"},
		{"through the disc", round0, `{"treatments": [{"sand": {"grit": 2000, "strokes": 26, "region_mm": [20, 60]}}]}`, "rounds[0]: up to 312 µm come off in all; the model bears 300"},
		{"beyond the edge", round0, `{"treatments": [{"polish": {"seconds": 1, "region_mm": [20, 61]}}]}`, "region_mm: 61 is not between 0 and 60"},
		{"no treatment", round0, `{"treatments": [{}]}`, "one of sand, polish is wanted"},
		{"wear", disc0, `"wear": [{"count": 20000}], ` + disc0, "wear[0].count: 20000 is not a whole number between 0 and 10000"},
		{"wear without length", disc0, `"wear": [{"count": 2, "region_mm": [24, 25]}], ` + disc0, "wear[0].length_mm: missing"},
	} {
		text := strings.Replace(testDisc, test.old, test.new, 1)
		if text == testDisc {
			t.Fatalf("%s: the test changes nothing", test.name)
		}
		_, err := Parse([]byte(text))
		if err == nil || !strings.Contains(err.Error(), test.want) {
			t.Errorf("%s: Parse = %v; want an error with %q", test.name, err, test.want)
		}
	}
	if _, err := Parse(make([]byte, mostBytes+1)); err == nil || !strings.Contains(err.Error(), "above the limit") {
		t.Errorf("Parse(%d bytes) = %v; want it refused", mostBytes+1, err)
	}
}

// What the file says is what the scenario holds; what it doesn't say is as the
// package's comment tells.
func TestScenarioValues(t *testing.T) {
	s := parsed(t, disc0, `"disc": {"kind": "dvd", "sectors": 64000, "layers": 2, "pitch_um": 0.741, "channel_bit_nm": 146.5,
		"inner_mm": 24.5, "pitch_wander": {}, "content": {"noise": true}},
		"marks": [
			{"scratch": {"points_mm": [[24, 0], [25, 0], [25, 1]], "width_mm": 0.2, "depth_um": 30}},
			{"arc": {"r_mm": 24.6, "from_deg": 350, "to_deg": 370, "width_mm": 0.3, "depth_um": 20}},
			{"haze": {"region_mm": [24, 25], "density": 0.5}},
			{"blot": {"at_mm": [0, 24.5], "radius_mm": 1.2}}]`,
		`{"name": "A", "partial": true}`, `{"name": "A"}, {"name": "B", "margin": 0.4, "noise": 0.05, "servo_margin": 0.2, "max_x": 12,
			"retries": 0, "min_retries": 0, "stall": {"chance": 1, "min_s": 100, "needs": "reset", "returns_as": "/dev/sr1"}}`,
		`{"treatments": []}`, `{"treatments": []}, {"treatments": [{"sand": {"grit": 3000, "strokes": 2, "region_mm": [20, 60]}},
			{"polish": {"seconds": 90, "region_mm": [24, 40]}}]}`)
	if got := s.shape.Layers; len(got) != 2 || got[0] != 32000 || got[1] != 32000 {
		t.Errorf("layers = %v; want two of 32000", got)
	}
	if got := s.shape; !near(got.Pitch, 0.741e-3, 1e-12) || !near(got.Sector, 38688*146.5e-6, 1e-12) || got.Inner != 24.5 || !got.Opposite {
		t.Errorf("shape = %+v; want pitch 0.741 µm, sectors of 38688 bits of 146.5 nm, 24.5 mm, opposite", got)
	}
	if got := s.shape.Wander; got.Amplitude != usualWander/1000 || got.Length != usualWanderLength {
		t.Errorf("wander = %+v; want the usual one", got)
	}
	if len(s.marks) != 3 || len(s.marks[0].pieces) != 2 || !s.marks[2].blot || s.marks[2].width != 2.4 || len(s.hazes) != 1 {
		t.Errorf("marks = %+v, hazes = %+v; want two pieces, an arc and a blot, and a haze", s.marks, s.hazes)
	}
	if p := s.marks[1].pieces[0]; !near(p.from, 350.0/360, 1e-12) || !near(p.span, 20.0/360, 1e-12) || !near(p.y+p.dy, -p.y, 1e-9) {
		t.Errorf("arc = %+v; want 20 degrees across angle 0", p)
	}
	usual := DriveSpec{Name: "A", Margin: 0.45, Noise: 0.06, Servo: 0.25, MaxX: 16, Retries: 16, gears: dvdGears,
		Stall: Stall{Chance: 0.02, LeastS: 40, MostS: 90, Needs: Waiting}}
	other := DriveSpec{Name: "B", Margin: 0.4, Noise: 0.05, Servo: 0.2, MaxX: 12, gears: dvdGears,
		Stall: Stall{Chance: 1, LeastS: 100, MostS: 100, Needs: Reset, Returns: "/dev/sr1"}}
	if s.Drives[0] != usual || s.Drives[1] != other {
		t.Errorf("drives = %+v; want %+v and %+v", s.Drives, usual, other)
	}
	if n, ok := s.Drive("B"); n != 1 || !ok {
		t.Errorf("Drive(B) = %d, %v; want 1", n, ok)
	}
	if n, ok := s.Drive("C"); ok {
		t.Errorf("Drive(C) = %d; want none", n)
	}
	if got := s.Rounds[1]; len(got) != 2 || got[0].String() != "sand 3000, 2 strokes, 20-60 mm" || got[1].String() != "polish, 90 s, 24-40 mm" {
		t.Errorf("treatments = %v; want a sanding and a polishing", got)
	}
}

func TestLoad(t *testing.T) {
	dir := t.TempDir()
	path := filepath.Join(dir, "s.json")
	text := strings.Replace(testDisc, `48000`, `48000, "content": {"image": "disc.iso"}`, 1)
	if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	s, err := Load(path)
	if err != nil {
		t.Fatal(err)
	}
	if s.Path != path || s.image != filepath.Join(dir, "disc.iso") {
		t.Errorf("Load = path %s, image %s; want %s and disc.iso beside it", s.Path, s.image, path)
	}
	if _, err := New(s); err == nil || !strings.Contains(err.Error(), "disc.iso") {
		t.Errorf("New without the image = %v; want an error that names it", err)
	}
	if err := os.WriteFile(path, []byte("{"), 0o600); err != nil {
		t.Fatal(err)
	}
	if _, err := Load(path); err == nil || !strings.Contains(err.Error(), path+": line 1") {
		t.Errorf("Load of half a file = %v; want an error that names file and line", err)
	}
	if _, err := Load(filepath.Join(dir, "none")); err == nil {
		t.Errorf("Load of no file = nil; want an error")
	}
	if _, err := Load(dir); err == nil {
		t.Errorf("Load of a folder = nil; want an error")
	}
}

// Large marks in great number would need memory without bound.
func TestMarksThatCoverTheDiscTooOften(t *testing.T) {
	blot := `{"blot": {"at_mm": [0, 0], "radius_mm": 50}},`
	s := parsed(t, marked(strings.Repeat(blot, 2000)+strings.TrimSuffix(blot, ","))...)
	if _, err := New(s); err == nil || !strings.Contains(err.Error(), "too many times over") {
		t.Errorf("New of 2001 blots of 50 mm = %v; want it refused", err)
	}
}

// Own scenarios: all are sound, and their comments' names are theirs.
func TestOwnScenarios(t *testing.T) {
	paths, err := filepath.Glob("../../testdata/scenarios/*.json")
	if err != nil || len(paths) == 0 {
		t.Fatalf("Glob = %v, %v; want scenarios", paths, err)
	}
	for _, path := range paths {
		s, err := Load(path)
		if err != nil {
			t.Errorf("Load(%s) = %v; want nil", path, err)
			continue
		}
		if want := strings.TrimSuffix(filepath.Base(path), ".json"); s.Name != want {
			t.Errorf("Load(%s).Name = %q; want %q", path, s.Name, want)
		}
	}
}

// Whatever the text, Parse says no in one line, or makes a disc that can be
// prepared and looked at.
func FuzzParse(f *testing.F) {
	f.Add([]byte(testDisc))
	paths, _ := filepath.Glob("../../testdata/scenarios/*.json")
	for _, path := range paths {
		text, err := os.ReadFile(path)
		if err != nil {
			f.Fatal(err)
		}
		f.Add(text)
	}
	f.Fuzz(func(t *testing.T, text []byte) {
		s, err := Parse(text)
		if err != nil {
			if s := err.Error(); !strings.HasPrefix(s, "line ") || strings.Contains(s, "\n") {
				t.Fatalf("Parse = %q; want one line that names the file's", s)
			}
			return
		}
		if s.image != "" {
			return
		}
		d, err := New(s)
		if err != nil {
			return
		}
		for r := range s.Rounds {
			for _, b := range []int64{0, s.Blocks() / 2, s.Blocks() - 1} {
				for _, c := range d.AppendChances(nil, r, b) {
					if !(0 <= c.Usual && c.Usual <= 1 && 0 <= c.Slow && c.Slow <= 1) {
						t.Fatalf("chances of block %d in round %d = %+v; want chances", b, r, c)
					}
				}
			}
		}
	})
}
