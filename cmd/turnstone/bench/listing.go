package bench

import (
	"fmt"
	"slices"
	"strings"

	"turnstone/imager"
	"turnstone/imager/volume"
	"turnstone/imager/volume/tree"
)

// listed is a film or a file of a disc in a listing.
type listed struct {
	paths []string // on the disc, from its root: what it lies in; told only to who asks for names
	name  string   // likewise
	row   fileRow
}

// fileRow is a film or a file on the page, without its name.
type fileRow struct {
	N       int     `json:"n"`
	Label   string  `json:"label"` // "film 2"
	State   string  `json:"state"` // whole, damaged, unknown, disputed
	Bytes   int64   `json:"bytes"`
	Missing int64   `json:"missing"`
	Places  int     `json:"places"` // runs of bytes that are missing; of a file
	Share   float64 `json:"share"`  // of what is known of it, that is there
	Wanted  bool    `json:"wanted"`
	Playing string  `json:"playing,omitempty"` // how long a film is, and what it lacks
}

// filesRow is the films of a disc, then its other files, the largest first.
type filesRow struct {
	List   int       `json:"list"`   // of which listing the numbers are
	Choosy bool      `json:"choosy"` // not all is wanted
	Whole  int       `json:"whole"`
	All    int       `json:"all"`
	Rows   []fileRow `json:"rows"`
}

// mostFiles is how many films and files are shown.
const mostFiles = 60

// listFiles lists what is on a disc: films by the numbers that imager gives them, then
// files that are in none.
func listFiles(files *imager.Files, c Counsel) []listed {
	wanted, err := files.WantedFiles()
	isWanted := func(e *volume.Entry) bool { return err == nil && wanted[e] }
	var all []listed
	inFilm := map[*volume.Entry]bool{}
	films, ferr := files.Films()
	if ferr != nil { // the image can't be read: the files are listed all the same
		films = nil
	}
	for _, f := range films {
		l := listed{name: f.Name()}
		l.row = fileRow{Label: fmt.Sprintf("film %d", len(all)+1), State: f.State.String(), Missing: f.Missing, Playing: c.Film(f)}
		for _, x := range f.Files {
			inFilm[x.Entry] = true
			l.paths = append(l.paths, x.Path())
			l.row.Bytes += sizeOf(x)
			l.row.Wanted = l.row.Wanted || isWanted(x.Entry)
		}
		if names := strings.Join(l.paths, ", "); names != l.name {
			l.name += " (" + names + ")"
		}
		l.row.Share = shareOf(l.row.Bytes-f.Missing, l.row.Bytes)
		all = append(all, l)
	}
	first := len(all)
	for x := range files.All() {
		if x.Kind != tree.Regular || inFilm[x.Entry] {
			continue
		}
		l := listed{paths: []string{x.Path()}, name: x.Path()}
		l.row = fileRow{Label: fmt.Sprintf("file %d", len(all)-first+1), State: x.State.String(), Bytes: sizeOf(x), Missing: x.MissingBytes,
			Share: shareOf(x.There(), x.There()+x.MissingBytes), Wanted: isWanted(x.Entry)}
		if x.MissingBytes > 0 {
			for range files.Missing(x) {
				l.row.Places++
			}
		}
		all = append(all, l)
	}
	for i := range all {
		all[i].row.N = i
	}
	slices.SortStableFunc(all[first:], func(a, b listed) int { return int(min(1, max(-1, b.row.Bytes-a.row.Bytes))) })
	return all
}

func sizeOf(x imager.File) int64 { return max(x.Size, x.There()+x.MissingBytes) }

func shareOf(part, whole int64) float64 {
	if whole <= 0 {
		return 1
	}
	return min(1, max(0, float64(part)/float64(whole)))
}

// filesOf is what of a listing is shown.
func filesOf(all []listed, choosy bool, list int) filesRow {
	r := filesRow{List: list, Choosy: choosy, All: len(all), Rows: []fileRow{}}
	for i, l := range all {
		if l.row.State == imager.FileWhole.String() {
			r.Whole++
		}
		if i < mostFiles {
			r.Rows = append(r.Rows, l.row)
		}
	}
	return r
}

// pathsOf is where those of a listing lie that have these numbers; not ok where one of
// them is not in it.
func pathsOf(all []listed, numbers []int) (paths []string, ok bool) {
	for _, n := range numbers {
		i := slices.IndexFunc(all, func(l listed) bool { return l.row.N == n })
		if i < 0 {
			return nil, false
		}
		paths = append(paths, all[i].paths...)
	}
	return paths, true
}
