package found_test

import (
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"testing"

	"turnstone/device/sector"
	"turnstone/imager/found"
)

// Files that ffmpeg wrote are found in full length between each other, whatever their
// order: films as AVI, MP4 (its description behind and before the film) and QuickTime,
// sound, a photo, and program streams, which are cut from each other by their clocks.
func TestFindWhatFfmpegWrote(t *testing.T) {
	if _, err := exec.LookPath("ffmpeg"); err != nil {
		if os.Getenv("CI") == "true" {
			t.Fatal("ffmpeg is not installed (Debian: ffmpeg)")
		}
		t.Skip("ffmpeg is not installed (Debian: ffmpeg)")
	}
	dir := t.TempDir()
	picture := []string{"-f", "lavfi", "-i", "testsrc2=size=352x288:rate=25"}
	sound := []string{"-f", "lavfi", "-i", "sine=frequency=440:sample_rate=48000"}
	made := func(name string, from []string, options ...string) []byte {
		t.Helper()
		file := filepath.Join(dir, name)
		args := append([]string{"-v", "error", "-nostdin", "-y"}, from...)
		if out, err := exec.Command("ffmpeg", append(append(args, options...), file)...).CombinedOutput(); err != nil {
			t.Fatalf("ffmpeg, %s: %v\n%s", name, err, out)
		}
		b, err := os.ReadFile(file)
		if err != nil {
			t.Fatal(err)
		}
		return b
	}
	both := append(append([]string{}, picture...), sound...)
	files := []struct {
		name string
		data []byte
	}{
		{"avi", made("a.avi", both, "-t", "3")},
		{"mp4", made("b.mp4", both, "-t", "3", "-c:v", "mpeg4")},
		{"jpg", made("c.jpg", picture, "-frames:v", "1")},
		{"mp4", made("d.mp4", both, "-t", "2", "-c:v", "mpeg4", "-movflags", "+faststart")},
		{"mov", made("e.mov", both, "-t", "2", "-c:v", "mjpeg", "-pix_fmt", "yuvj420p")},
		{"wav", made("f.wav", sound, "-t", "1")},
	}
	streams := [][]byte{
		made("g.mpg", both, "-t", "6", "-target", "pal-dvd"), made("h.mpg", both, "-t", "4", "-target", "pal-dvd"),
		made("i.mpg", both, "-t", "5", "-c:v", "mpeg2video", "-c:a", "mp2", "-f", "vob"),
	}

	d := &disc{}
	d.noise(7)
	var wantFiles, wantStreams []string
	for _, f := range files {
		at := d.add(f.data)
		wantFiles = append(wantFiles, fmt.Sprintf("%s %v %d", f.name, at, len(f.data)))
	}
	for _, s := range streams {
		wantStreams = append(wantStreams, d.add(s[:len(s)/sector.Size*sector.Size]).String())
	}
	d.noise(3)
	gotStreams, gotFiles, cut := find(d)
	var got []string
	for _, f := range gotFiles {
		got = append(got, fmt.Sprintf("%s %v %d", f.Ext, f.At, f.Size))
	}
	if fmt.Sprint(got) != fmt.Sprint(wantFiles) || cut != 0 {
		t.Errorf("files:\n%q, %d cut off; want\n%q", got, cut, wantFiles)
	}
	got = nil
	for _, s := range gotStreams {
		if s.Kind != found.Take && s.Kind != found.VOBS {
			t.Errorf("found %+v", s)
		}
		got = append(got, s.At.String())
	}
	if fmt.Sprint(got) != fmt.Sprint(wantStreams) {
		t.Errorf("streams: %q; want %q", got, wantStreams)
	}
}
