package main

import (
	"testing"
	"time"

	"turnstone/imager"
	"turnstone/imager/video"
	"turnstone/imager/video/videotest"
	"turnstone/imager/volume"
	vt "turnstone/imager/volume/volumetest"
)

// dvdVolume is a made-up DVD-Video with two titles, of 20 s and 12 s, and a folder with a
// film of 16 s. The titles are in VTS_01_1.VOB.
func dvdVolume() vt.File {
	ifo, vobs := videotest.Set(videotest.Program{Pictures: 500}, videotest.Program{Pictures: 300, Seed: 1})
	manager := videotest.ManagerFile(2)
	return vt.File{Dir: true, Children: []vt.File{
		{Name: "DATA", Dir: true, Children: []vt.File{{Name: "CLIP.MPG", Data: videotest.Program{Pictures: 400, Seed: 2}.Bytes()}}},
		{Name: "VIDEO_TS", Dir: true, Children: []vt.File{
			{Name: "VIDEO_TS.BUP", Data: manager}, {Name: "VIDEO_TS.IFO", Data: manager},
			{Name: "VTS_01_0.BUP", Data: ifo}, {Name: "VTS_01_0.IFO", Data: ifo}, {Name: "VTS_01_1.VOB", Data: vobs}}},
	}}
}

// recorderVolume is a made-up disc of a camcorder: three recordings in one file, of
// 30 s, 12 s and 8 s.
func recorderVolume() vt.File {
	var movie []byte
	for i, pictures := range []int{750, 300, 200} {
		movie = append(movie, videotest.Program{Pictures: pictures, Seed: byte(i)}.Bytes()...)
	}
	return vt.File{Dir: true, Children: []vt.File{{Name: "DVD_RTAV", Dir: true, Children: []vt.File{
		{Name: "VR_MANGR.IFO", Data: append([]byte("DVD_RTR_VMG0"), make([]byte, 6000)...)}, {Name: "VR_MOVIE.VRO", Data: movie}}}}}
}

func gap(from, to time.Duration) video.Gap { return video.Gap{From: from, To: to} }

// What films lack, in words.
func TestFilmsStand(t *testing.T) {
	const s = time.Second
	whole := imager.Film{Title: 1, Play: &video.Playback{Length: 60 * s}}
	one := imager.Film{Title: 2, State: imager.FileDamaged, Play: &video.Playback{Length: 2 * 3600 * s, Gaps: []video.Gap{gap(1900*s+300*time.Millisecond, 1911*s+500*time.Millisecond)}}}
	many := imager.Film{Title: 3, State: imager.FileDamaged, Play: &video.Playback{Length: 60 * s, Gaps: []video.Gap{gap(1*s, 2*s), gap(10*s, 11*s), gap(20*s, 21*s), gap(30*s, 31*s), {From: 40 * s, To: 41 * s, About: true}}}}
	none := imager.Film{Set: 2, InSet: 1, State: imager.FileDamaged, Missing: 4096}
	for _, c := range []struct {
		films []imager.Film
		want  string
	}{
		{nil, ""},
		{[]imager.Film{whole}, "The one film is whole."},
		{[]imager.Film{whole, whole}, "All 2 films are whole."},
		{[]imager.Film{one}, "The one film is not whole; title 2 lacks 0:00:12 at 0:31:40."},
		{[]imager.Film{whole, one, whole, many}, "2 of 4 films are whole; title 2 lacks 0:00:12 at 0:31:40; title 3 lacks about 0:00:05 at 0:00:01, 0:00:10, 0:00:20 and 2 more places."},
		{[]imager.Film{none, none, none, none, none}, "None of 5 films is whole; title 1 of set 2 lacks 4 kB; title 1 of set 2 lacks 4 kB; title 1 of set 2 lacks 4 kB; 2 more are not whole."},
	} {
		if got := filmsStand(c.films); got != c.want {
			t.Errorf("filmsStand = %q; want %q", got, c.want)
		}
	}
	for _, c := range []struct {
		film imager.Film
		want string
	}{
		{imager.Film{Set: 1, InSet: 3, Play: &video.Playback{Length: 3723*s + 600*time.Millisecond}}, "title 3 of set 1, VTS_01_1.VOB to VTS_01_2.VOB  1:02:04, whole"},
		{one, "title 2  2:00:00, lacks 0:00:12 at 0:31:40; 99.84 % can be shown"},
		{none, "title 1 of set 2, VTS_01_1.VOB to VTS_01_2.VOB  damaged, 4 kB missing; no play time is told by what is there"},
	} {
		if c.film.InSet > 0 {
			c.film.Files = []imager.File{{Entry: &volume.Entry{Name: "VTS_01_1.VOB"}}, {Entry: &volume.Entry{Name: "VTS_01_2.VOB"}}}
		}
		if got := filmLine(c.film); got != c.want {
			t.Errorf("filmLine = %q; want %q", got, c.want)
		}
	}
}
