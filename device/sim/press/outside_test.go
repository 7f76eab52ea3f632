package press

import (
	"bytes"
	"crypto/sha256"
	"fmt"
	"image/jpeg"
	"maps"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
)

// bsdtar unpacks the tree of ISO 9660: each file with its bytes and its time.
func TestISOAsBsdtar(t *testing.T) {
	dir := t.TempDir()
	tool(t, "libarchive-tools", "bsdtar", "-C", dir, "-xpf", onFile(t))
	same(t, "bsdtar", unpacked(t, dir), files(small()))
	for name, want := range map[string]int64{"VIDEO_TS/VTS_01_1.VOB": made.Unix(), "VIDEO_TS/VTS_02_1.VOB": made.Unix() + 3600} {
		info, err := os.Stat(filepath.Join(dir, name))
		if err != nil {
			t.Fatal(err)
		}
		if got := info.ModTime().Unix(); got != want {
			t.Errorf("bsdtar: %s is of %d; want %d", name, got, want)
		}
	}
	if info, err := os.Stat(filepath.Join(dir, "AUDIO_TS")); err != nil || !info.IsDir() {
		t.Errorf("bsdtar: AUDIO_TS is %v, %v; want a folder", info, err)
	}
}

// 7z unpacks the tree of UDF, and finds nothing wrong with the volume.
func TestUDFAs7z(t *testing.T) {
	dir := t.TempDir()
	name := onFile(t)
	listing := tool(t, "p7zip-full", "7z", "l", name)
	if !strings.Contains(listing, "Type = Udf\n") || !strings.Contains(listing, "Version = 1.02\n") {
		t.Errorf("7z tells of no UDF 1.02:\n%s", listing)
	}
	tool(t, "p7zip-full", "7z", "x", "-y", "-o"+dir, name)
	same(t, "7z", unpacked(t, dir), files(small()))
}

// The Linux kernel's own drivers, in the rig's virtual machine, list either tree: path,
// size, SHA-256.
func TestTreesAsTheKernel(t *testing.T) {
	rigs := os.Getenv("TURNSTONE_RIGS")
	if rigs == "" {
		t.Skip("TURNSTONE_RIGS names no folder with rigs")
	}
	want := map[string]string{}
	for path, b := range files(small()) {
		want[path] = fmt.Sprintf("%x  %d", sha256.Sum256(b), len(b))
	}
	for _, system := range []string{"udf", "iso9660"} {
		c := exec.Command("bash", filepath.Join(rigs, "volumes", "mk-udf-qemu.sh"), onFile(t), t.TempDir(), "ro")
		c.Env = append(os.Environ(), "FS="+system)
		out, err := c.CombinedOutput()
		if !bytes.Contains(out, []byte("@@ end")) {
			t.Skipf("the virtual machine did not come to its end in its two minutes (%v): %.300s", err, out)
		}
		got := map[string]string{}
		for line := range strings.Lines(string(out)) {
			if sum, path, found := strings.Cut(strings.TrimSpace(line), "  ./"); found && len(sum) > 66 {
				if system == "iso9660" {
					path = strings.ToUpper(path) // the kernel shows names in small letters
				}
				got[path] = sum
			}
		}
		if !maps.Equal(got, want) {
			t.Errorf("%s: the kernel lists %v; want %v", system, got, want)
		}
	}
}

// isoinfo reads the volume descriptor, and finds the path tables and directories where
// they should be.
func TestISOAsIsoinfo(t *testing.T) {
	name := onFile(t)
	out := tool(t, "genisoimage", "isoinfo", "-d", "-i", name)
	for _, want := range []string{"Volume id: SMALL\n", "Volume size is: 3000\n", "Logical block size is: 2048\n"} {
		if !strings.Contains(out, want) {
			t.Errorf("isoinfo -d lacks %q:\n%s", want, out)
		}
	}
	out = tool(t, "genisoimage", "isoinfo", "-p", "-i", name)
	if n := len(regexp.MustCompile(`(?m)^ +\d+: +\d+ +[0-9a-f]+ `).FindAllString(out, -1)); n != 5 {
		t.Errorf("isoinfo -p lists %d directories; want 5:\n%s", n, out)
	}
}

// lsdvd reads the tables of all title sets through libdvdread: titles, lengths,
// chapters, cells, attributes.
func TestIFOAsLsdvd(t *testing.T) {
	out := tool(t, "lsdvd", "lsdvd", "-x", onFile(t))
	for _, want := range []string{
		"Disc Title: SMALL",
		// 130 units of 0.48 s, the first minute of them in 125; then 11 of them.
		"Title: 01, Length: 00:01:02.400 Chapters: 02, Cells: 02, Audio streams: 00, Subpictures: 00",
		"Chapter: 01, Length: 00:01:00.000, Start Cell: 01",
		"Chapter: 02, Length: 00:00:02.400, Start Cell: 02",
		"Title: 02, Length: 00:00:05.280 Chapters: 01, Cells: 01, Audio streams: 00, Subpictures: 00",
		"VTS: 02, TTN: 01, FPS: 25.00, Format: PAL, Aspect ratio: 4/3, Width: 720, Height: 576",
	} {
		if !strings.Contains(out, want) {
			t.Errorf("lsdvd lacks %q:\n%s", want, out)
		}
	}
}

// dvdunauthor takes the disc apart again by its tables and NAV packs: the commands of a
// player, the cells, and streams without NAV packs in which every byte of the video is.
func TestIFOAsDvdunauthor(t *testing.T) {
	disc := onFile(t)
	out := t.TempDir()
	t.Chdir(out)
	tool(t, "dvdauthor", "dvdunauthor", disc)
	b, err := os.ReadFile("dvdauthor.xml")
	if err != nil {
		t.Fatal(err)
	}
	for _, want := range []string{
		"<fpc>\n      jump vmgm menu entry title;\n", "<post>\n          jump title 1;\n", "call vmgm menu entry title resume 1;",
		`<titlemap titleset="2" title="1"/>`, `<cell start="0:00:00.000" end="0:01:00.000"`, `<cell start="0:01:00.000"`,
	} {
		if !strings.Contains(string(b), want) {
			t.Errorf("dvdunauthor lacks %q:\n%s", want, b)
		}
	}
	for name, want := range map[string]int{"vob_01t_001.vob": 130 * frames, "vob_02t_001.vob": 11 * frames, "vob_00m_001.vob": 5 * frames} {
		if got := len(times(t, name)); got != want {
			t.Errorf("dvdunauthor: %s has %d pictures; want %d", name, got, want)
		}
	}
}

// ffmpeg decodes every picture of a film at its time, without a complaint, and sees what
// was drawn: dark where a digit stands, light in the sky beside it.
func TestFilmAsFfmpeg(t *testing.T) {
	film := filepath.Join(t.TempDir(), "film.vob")
	if err := os.WriteFile(film, record(2, 5, "2").data, 0o600); err != nil {
		t.Fatal(err)
	}
	got := times(t, film)
	if len(got) != 5*frames {
		t.Fatalf("%d pictures; want %d", len(got), 5*frames)
	}
	for i, at := range got[:len(got)-1] {
		if want := 52 + 4*i; at != want {
			t.Fatalf("picture %d is shown at 0.01 s · %d; want %d", i, at, want)
		}
	}
	raw := filepath.Join(t.TempDir(), "raw")
	tool(t, "ffmpeg", "ffmpeg", "-v", "error", "-xerror", "-err_detect", "explode", "-i", film, "-f", "rawvideo", raw)
	b, err := os.ReadFile(raw)
	if err != nil {
		t.Fatal(err)
	}
	const picture = 720 * 576 * 3 / 2
	if len(b) != 5*frames*picture {
		t.Fatalf("ffmpeg gives %d bytes; want %d pictures of %d", len(b), 5*frames, picture)
	}
	mean := func(p []byte, x, y int) int { // of a block
		sum := 0
		for i := range 64 {
			sum += int(p[(8*y+i/8)*720+8*x+i%8])
		}
		return sum / 64
	}
	for k := range 5 * frames {
		p := b[k*picture:][:picture]
		m := *scene(2, 0)
		m.dust(2<<20 + k/frames + 1)
		m.write("2", 8, 6, 3)
		m.write(clock(k/frames*frames/25), 17, 52, 2)
		for y := range down {
			for x := range across {
				if got, want := mean(p, x, y), int(m.luma[y][x]); got < want-4 || got > want+4 {
					t.Fatalf("picture %d, block %d, %d: shade %d; want %d", k, x, y, got, want)
				}
			}
		}
	}
}

// Go's own reader takes a photo, and sees its blocks.
func TestPhotoAsGo(t *testing.T) {
	for n := range 3 {
		b := Photo(n, 50+n, 30)
		p, err := jpeg.Decode(bytes.NewReader(b))
		if err != nil {
			t.Fatal(err)
		}
		if got, want := p.Bounds().String(), fmt.Sprintf("(0,0)-(%d,240)", 8*(50+n)); got != want {
			t.Errorf("Photo(%d) is %s; want %s", n, got, want)
		}
		if bytes.Equal(b, Photo(n+1, 50+n, 30)) {
			t.Errorf("Photo(%d) and the next are the same", n)
		}
	}
}
