package imager

import (
	"path"
	"strings"
	"time"

	"turnstone/device/sector"
	"turnstone/imager/volume"
)

// What is read first where nothing is said: films, then all other files, then what a
// disc can do without.

// rank is when a file's turn comes.
type rank uint8

const (
	rankFilm  rank = iota // films, and what tells a player about them
	rankFile              // all other files
	rankSpare             // menus, and copies of what tells about films
)

// rankOf is a file's rank by its path. The names of DVD-Video and of recorders' discs
// are fixed (VIDEO_TS, DVD_RTAV); elsewhere films are known by how their names end
// (common practice).
func rankOf(file string) rank {
	dir, name := path.Split(strings.ToUpper(file))
	stem, ext := strings.TrimSuffix(name, path.Ext(name)), endingOf(name)
	switch {
	case ext == "BUP" || strings.HasPrefix(dir, "BDMV/BACKUP/"):
		return rankSpare
	case ext == "VOB" && (stem == "VIDEO_TS" || strings.HasPrefix(stem, "VTS_") && strings.HasSuffix(stem, "_0")):
		return rankSpare
	case filmEndings[ext]:
		return rankFilm
	case ext == "IFO" || strings.HasPrefix(dir, "BDMV/"):
		return rankFilm
	}
	return rankFile
}

// endingOf is how a name ends, behind its last dot, in capitals.
func endingOf(name string) string { return strings.ToUpper(strings.TrimPrefix(path.Ext(name), ".")) }

// isFilm tells whether a file is a film by its name. The sound that goes with a recorder's
// still pictures ends as its films do.
func isFilm(name string) bool {
	return filmEndings[endingOf(name)] && !strings.EqualFold(name, "VR_AUDIO.VRO")
}

// filmEndings is how the names of films end: program and transport streams, what
// cameras write, and the usual files of computers.
var filmEndings = map[string]bool{
	"VOB": true, "VRO": true, "MPG": true, "MPEG": true, "MPE": true, "M1V": true, "M2V": true, "MOD": true, "TOD": true,
	"TS": true, "M2TS": true, "MTS": true, "M2T": true, "DAT": true, "DV": true, "AVI": true, "DIVX": true, "WMV": true, "ASF": true,
	"MOV": true, "QT": true, "MP4": true, "M4V": true, "3GP": true, "MKV": true, "FLV": true, "OGV": true, "WEBM": true,
}

// turns is the blocks in which the files of the first two ranks lie; no block has two.
type turns struct{ films, files sector.Set }

func (k *course) turnsOf(v *volume.Volume) turns {
	var where [rankSpare + 1][]sector.Range
	for e := range v.Files() {
		r := rankOf(e.Path())
		for _, x := range e.Extents {
			where[r] = append(where[r], x.Sectors())
		}
	}
	films, files := sector.Of(where[rankFilm]...), sector.Of(where[rankFile]...)
	t := turns{films: k.blocks(&films), files: k.blocks(&files)}
	t.files = t.files.Subtract(&t.films)
	return t
}

// paces is the good sectors a second under which a part of a pass is left, time by time:
// a clean place brings thousands, one among marks hundreds to tens, the inside of a mark
// less than one. A drive that is slower than the first leaves all parts at once, and goes
// on by the next. 0: until its plan is done.
var paces = []float64{1000, 100, 10, 0}

// paceSectors is over how many sectors, that there should be, a drive's pace is taken: so
// many that one failed read is no reason to leave.
const paceSectors = 3000

// pace is what a drive brought of late.
type pace struct {
	least float64
	took  time.Duration
	good  int64
	slow  bool
}

// note takes in how a request fared.
func (p *pace) note(good int64, took time.Duration) {
	p.good += good
	p.took += took
	if due := p.least * p.took.Seconds(); p.least > 0 && due >= min(paceSectors, 30*p.least) {
		p.slow = float64(p.good) < due
		p.took, p.good = 0, 0
	}
}
