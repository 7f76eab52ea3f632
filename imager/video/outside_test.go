package video_test

import (
	"bytes"
	"encoding/csv"
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"

	"turnstone/imager/video"
	vt "turnstone/imager/video/videotest"
)

// tools skips a test where a program is not there; with CI=true it fails.
func tools(t *testing.T, names ...string) {
	t.Helper()
	for _, name := range names {
		if _, err := exec.LookPath(name); err == nil {
			continue
		}
		if os.Getenv("CI") == "true" {
			t.Fatalf("%s is not installed (Debian: ffmpeg, dvdauthor)", name)
		}
		t.Skipf("%s is not installed (Debian: ffmpeg, dvdauthor)", name)
	}
}

func run(t *testing.T, dir, name string, args ...string) string {
	t.Helper()
	cmd := exec.Command(name, args...)
	cmd.Dir, cmd.Env = dir, append(os.Environ(), "VIDEO_FORMAT=PAL")
	out, err := cmd.Output()
	if err != nil {
		t.Fatalf("%s %v: %v\n%s", name, args, err, err.(*exec.ExitError).Stderr)
	}
	return string(out)
}

// encode makes a film of ffmpeg's test picture with a tone.
func encode(t *testing.T, dir, file string, seconds int, options ...string) {
	t.Helper()
	args := []string{"-v", "error", "-nostdin", "-y", "-f", "lavfi", "-i", "testsrc2=size=352x288:rate=25",
		"-f", "lavfi", "-i", "sine=frequency=440:sample_rate=48000", "-t", strconv.Itoa(seconds)}
	run(t, dir, "ffmpeg", append(append(args, options...), "-threads", "1", file)...)
}

func load(t *testing.T, path string) *vt.Holed {
	t.Helper()
	b, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	return &vt.Holed{Data: b}
}

// frames is the pictures of a stream by ffmpeg's framemd5: time in ticks and sum.
func frames(t *testing.T, dir string, data []byte) map[int64]string {
	t.Helper()
	file := filepath.Join(dir, "frames.mpg")
	if err := os.WriteFile(file, data, 0o600); err != nil {
		t.Fatal(err)
	}
	out := run(t, dir, "ffmpeg", "-v", "quiet", "-copyts", "-i", file, "-map", "0:v:0", "-fps_mode", "passthrough",
		"-enc_time_base", "1:90000", "-f", "framemd5", "-")
	all := map[int64]string{}
	for line := range strings.Lines(out) {
		f := strings.Split(line, ",")
		if len(f) < 6 || strings.HasPrefix(line, "#") {
			continue
		}
		pts, err := strconv.ParseInt(strings.TrimSpace(f[2]), 10, 64)
		if err != nil {
			t.Fatalf("framemd5: %s", line)
		}
		all[pts] = strings.TrimSpace(f[5])
	}
	return all
}

// spoilt is up to how many pictures before a gap a decoder may show otherwise than they
// are, before it notices that something is missing: two, as the rigs' judge has seen.
const spoilt = 2

// Pictures that are not as in the whole film, by ffmpeg's decoder, lie in the gaps that
// are told, with random holes in streams of several kinds; and the gaps are no longer
// than the groups that they touch, one before and one after.
func TestGapsAsADecoderSeesThem(t *testing.T) {
	t.Parallel()
	tools(t, "ffmpeg")
	dir := t.TempDir()
	for _, kind := range []struct {
		name    string
		options []string
	}{
		{"DVD", []string{"-target", "pal-dvd", "-s", "352x288", "-b:v", "1500k", "-maxrate", "1500k", "-g", "12", "-bf", "2"}},
		{"DVD of 30/1.001 pictures a second", []string{"-target", "ntsc-dvd", "-s", "352x240", "-b:v", "1500k", "-maxrate", "1500k", "-g", "15", "-bf", "2"}},
		{"program stream with MP2 sound", []string{"-c:v", "mpeg2video", "-b:v", "1500k", "-g", "12", "-bf", "2", "-c:a", "mp2", "-f", "vob"}},
		{"MPEG-1", []string{"-c:v", "mpeg1video", "-b:v", "1000k", "-g", "12", "-bf", "2", "-c:a", "mp2", "-f", "mpeg"}},
	} {
		t.Run(kind.name, func(t *testing.T) {
			dir := dir
			encode(t, dir, "whole.mpg", 7, kind.options...)
			src := load(t, filepath.Join(dir, "whole.mpg"))
			whole := frames(t, dir, src.Data)
			var first, last int64 = 1 << 62, 0
			for pts := range whole {
				first, last = min(first, pts), max(last, pts)
			}
			tick := (last - first) / int64(len(whole)-1)
			f, err := video.PlayStream(src)
			if want := time.Duration(last-first+tick) * time.Second / 90000; err != nil || len(f.Gaps) > 0 || (f.Length-want).Abs() > time.Millisecond {
				t.Fatalf("PlayStream = %+v, %v; ffmpeg shows %v", f, err, want)
			}
			r := rand.New(rand.NewPCG(1, uint64(len(src.Data))))
			packs := src.Size() / 2048
			lost, told := 0, time.Duration(0)
			for range 5 {
				at, n := 80+r.Int64N(packs-200), []int64{1, 1, 4, 16, 16, 64, 100}[r.IntN(7)]
				src.Missing = []video.Span{{First: at * 2048, End: (at + n) * 2048}}
				f, err := video.PlayStream(src)
				if err != nil {
					t.Fatal(err)
				}
				got := frames(t, dir, src.Zeroed())
				for pts, sum := range whole {
					if got[pts] == sum {
						continue
					}
					lost++
					at, in := time.Duration(pts-first)*time.Second/90000, false
					for _, g := range f.Gaps {
						in = in || at >= g.From-spoilt*time.Duration(tick)*time.Second/90000-time.Millisecond && at < g.To
					}
					if !in {
						t.Errorf("holes %v: the picture at %v is not as in the whole film, and the gaps are %v", src.Missing, at, f.Gaps)
					}
				}
				told += f.Lost()
			}
			shown := time.Duration(lost) * time.Duration(tick) * time.Second / 90000
			t.Logf("ffmpeg shows %v otherwise, %v are told", shown, told)
			if lost == 0 || told > 4*shown+10*time.Second {
				t.Errorf("ffmpeg shows %v otherwise, %v are told to be lost", shown, told)
			}
		})
	}
}

// A disc by dvdauthor: titles and times are those of its XML and of ffprobe; with its
// navigation packs the gaps of titles hold what ffmpeg's decoder shows otherwise; IFO and
// BUP stand in for each other.
func TestDiscByDvdauthor(t *testing.T) {
	t.Parallel()
	tools(t, "ffmpeg", "ffprobe", "dvdauthor")
	dir := t.TempDir()
	for name, seconds := range map[string]int{"a": 14, "b": 8, "m": 2} {
		encode(t, dir, name+".mpg", seconds, "-target", "pal-dvd", "-s", "352x288", "-b:v", "1500k", "-maxrate", "1500k", "-g", "12", "-bf", "2")
	}
	xml := `<dvdauthor dest="dvd"><vmgm/><titleset>
 <menus><video format="pal"/><pgc pause="2"><vob file="m.mpg"/></pgc></menus>
 <titles><video format="pal"/><pgc><vob file="a.mpg" chapters="0,0:04,0:09"/></pgc><pgc><vob file="b.mpg" chapters="0,0:05"/></pgc></titles>
</titleset></dvdauthor>`
	if err := os.WriteFile(filepath.Join(dir, "d.xml"), []byte(xml), 0o600); err != nil {
		t.Fatal(err)
	}
	run(t, dir, "dvdauthor", "-x", "d.xml")
	in := func(name string) *vt.Holed { return load(t, filepath.Join(dir, "dvd/VIDEO_TS", name)) }

	x, err := video.ReadInfo(in("VIDEO_TS.IFO"), nil)
	if err != nil {
		t.Fatal(err)
	}
	titles, err := video.ParseManager(x)
	if want := []video.TitleEntry{{Set: 1, InSet: 1, Angles: 1, Parts: 3}, {Set: 1, InSet: 2, Angles: 1, Parts: 2}}; err != nil || fmt.Sprint(titles) != fmt.Sprint(want) {
		t.Errorf("ParseManager = %+v, %v; want %+v", titles, err, want)
	}

	// Any sector of the IFO may be missing, if the BUP has it.
	ifo, bup := in("VTS_01_0.IFO"), in("VTS_01_0.BUP")
	var set *video.TitleSet
	for n := int64(-1); n < ifo.Size()/2048; n++ {
		ifo.Missing, bup.Missing = nil, nil
		if n >= 0 {
			ifo.Missing = []video.Span{{First: n * 2048, End: (n + 1) * 2048}}
			bup.Missing = []video.Span{{First: (n + 1) % (ifo.Size() / 2048) * 2048, End: ((n+1)%(ifo.Size()/2048) + 1) * 2048}}
		}
		x, err := video.ReadInfo(ifo, bup)
		if err != nil || x.StandsIn != (n >= 0) {
			t.Fatalf("ReadInfo without sector %d = %+v, %v", n, x, err)
		}
		s, err := video.ParseTitleSet(x)
		if err != nil || len(s.Problems) > 0 || len(s.Titles) != 2 || set != nil && fmt.Sprint(*s) != fmt.Sprint(*set) {
			t.Fatalf("ParseTitleSet without sector %d = %+v, %v; want %+v", n, s, err, set)
		}
		set = s
	}
	head := video.ParseInfoHead(ifo.Data)
	menus := in("VTS_01_0.VOB").Size() / 2048
	if want := (video.InfoHead{Kind: video.Set, Size: ifo.Size() / 2048, Menus: ifo.Size() / 2048, Films: ifo.Size()/2048 + menus,
		Total: 2*ifo.Size()/2048 + menus + in("VTS_01_1.VOB").Size()/2048}); head != want {
		t.Errorf("ParseInfoHead = %+v; want %+v", head, want)
	}

	vobs := in("VTS_01_1.VOB")
	for i, want := range []struct {
		film string
		cuts []time.Duration
	}{{"a.mpg", []time.Duration{4 * time.Second, 9 * time.Second}}, {"b.mpg", []time.Duration{5 * time.Second}}} {
		f, err := video.PlayTitle(set.Titles[i], set.Units, vobs)
		seconds, perr := strconv.ParseFloat(strings.Fields(run(t, dir, "ffprobe", "-v", "error", "-select_streams", "v", "-show_entries", "stream=duration", "-of", "default=nw=1:nk=1", want.film))[0], 64)
		if err != nil || perr != nil || math.Abs(f.Length.Seconds()-seconds) > 0.041 {
			t.Errorf("title %d lasts %v, %v; ffprobe says %.3f s", i+1, f.Length, err, seconds)
		}
		if table := set.Titles[i].Length().Duration(); (table - f.Length).Abs() > 41*time.Millisecond {
			t.Errorf("title %d lasts %v by its table, %v by its packs", i+1, table, f.Length)
		}
		// Cells begin with the first group at or behind where the XML asks for a chapter.
		if len(f.Takes) != len(want.cuts)+1 {
			t.Errorf("title %d has %d cells; want %d", i+1, len(f.Takes), len(want.cuts)+1)
			continue
		}
		for k, cut := range want.cuts {
			if d := f.Takes[k+1].From - cut; d.Abs() > 500*time.Millisecond {
				t.Errorf("title %d, cell %d begins at %v; the XML says %v", i+1, k+2, f.Takes[k+1].From, cut)
			}
		}
	}
	titleGaps(t, dir, set, vobs)
}

// titleGaps holds the gaps of title 1 against the decoder, with and without the map of
// units.
func titleGaps(t *testing.T, dir string, set *video.TitleSet, vobs *vt.Holed) {
	cells := set.Titles[0].Cells
	end := (cells[len(cells)-1].Last + 1) * 2048
	film := &vt.Holed{Data: vobs.Data[:end]}
	whole := frames(t, dir, film.Data)
	first := int64(1 << 62)
	for pts := range whole {
		first = min(first, pts)
	}
	n, err := video.ParseNAV(film.Data)
	if !err || n.VOB != 1 || n.Cell != 1 || n.Sector != 0 {
		t.Fatalf("ParseNAV of the first sector = %+v, %v", n, err)
	}
	r := rand.New(rand.NewPCG(2, 3))
	for k := range 6 {
		at, size := 80+r.Int64N(end/2048-200), []int64{1, 1, 4, 16, 64, 160}[r.IntN(6)]
		if k < 3 { // a navigation pack itself
			at, size = set.Units[5+3*k], 1
		}
		film.Missing = []video.Span{{First: at * 2048, End: (at + size) * 2048}}
		got := frames(t, dir, film.Zeroed())
		for _, units := range [][]int64{set.Units, nil} {
			f, err := video.PlayTitle(set.Titles[0], units, film)
			if err != nil {
				t.Fatal(err)
			}
			for pts, sum := range whole {
				at, in := time.Duration(pts-first)*time.Second/90000, false
				for _, g := range f.Gaps {
					in = in || at >= g.From-spoilt*40*time.Millisecond-time.Millisecond && at < g.To
				}
				if got[pts] != sum && !in {
					t.Errorf("holes %v, map %v: the picture at %v is not as in the whole film, and the gaps are %v", film.Missing, units != nil, at, f.Gaps)
				}
			}
			if f.Lost() > 2*time.Second+time.Duration(size)*20*time.Millisecond {
				t.Errorf("holes %v, map %v: %v are told to be lost", film.Missing, units != nil, f.Lost())
			}
		}
	}
}

// Clips open: ffprobe finds the video stream of each, and ffmpeg decodes about as many
// pictures as the clip is long.
func TestClipsOpen(t *testing.T) {
	tools(t, "ffmpeg", "ffprobe")
	dir := t.TempDir()
	encode(t, dir, "film.mpg", 30, "-target", "pal-dvd", "-s", "352x288", "-b:v", "1500k", "-maxrate", "1500k", "-g", "12", "-bf", "2")
	src := load(t, filepath.Join(dir, "film.mpg"))
	for _, at := range []int64{0, src.Size() / 4, src.Size() / 2} {
		c, err := video.ClipAt(src, at, 5*time.Second)
		if err != nil {
			t.Fatal(err)
		}
		file := filepath.Join(dir, "clip.mpg")
		if err := os.WriteFile(file, src.Data[c.Bytes.First:c.Bytes.End], 0o600); err != nil {
			t.Fatal(err)
		}
		out := run(t, dir, "ffprobe", "-v", "error", "-select_streams", "v", "-count_frames", "-show_entries", "stream=codec_name,nb_read_frames", "-of", "csv=p=0", file)
		rows, err := csv.NewReader(bytes.NewBufferString(strings.TrimSpace(out))).ReadAll()
		if err != nil || len(rows) == 0 || rows[0][0] != "mpeg2video" {
			t.Fatalf("ffprobe of a clip: %q, %v", out, err)
		}
		if n, _ := strconv.Atoi(rows[0][1]); n < 120 || n > 145 {
			t.Errorf("a clip of %v at byte %d shows %d pictures; want some 125", c.Length, at, n)
		}
	}
}
