package report

import (
	enchex "encoding/hex"
	"errors"
	"time"

	"turnstone/device/sector"
	"turnstone/imager"
	"turnstone/imager/volume"
	"turnstone/imager/volume/tree"
)

// FilesFacts is what the file systems on the disc tell.
type FilesFacts struct {
	Lists    bool         `json:"file_system"` // there is one; else these are films that were found without
	Tally    imager.Tally `json:"tally"`       // of what is wanted; of all where everything is
	Systems  []string     `json:"systems"`
	Needed   int64        `json:"needed"` // missing sectors that would tell of more files
	Problems []string     `json:"problems"`
	Films    []Film       `json:"films"` // what plays, as far as that is known
	List     []FileFacts  `json:"files"`

	withSum int
	listed  bool
}

// FileFacts is a file of the disc.
type FileFacts struct {
	Path     string    `json:"path"`
	Size     int64     `json:"size"` // bytes; -1 where it is not known
	State    string    `json:"state"`
	Why      string    `json:"why"` // where it is unknown
	Wanted   bool      `json:"wanted"`
	Missing  int64     `json:"missing_bytes"`
	CouldNot int64     `json:"could_not_be_read_bytes"` // of the missing ones; the rest was not tried, or nobody knows where it lies
	Places   int       `json:"places"`                  // runs of missing bytes
	Disputed int64     `json:"disputed_sectors"`
	Made     bool      `json:"name_made_up"` // its own name is lost, or a shorter one stands in
	SHA256   string    `json:"sha256"`
	Modified time.Time `json:"modified,omitzero"`
}

// Whole tells whether nothing is missing and nothing doubtful.
func (f FileFacts) Whole() bool { return f.State == imager.FileWhole.String() }

// NotTried is how many of its missing bytes were not tried further, or lie nobody knows
// where.
func (f FileFacts) NotTried() int64 { return f.Missing - f.CouldNot }

// filesOf is the files of the case; nil where no file system is known, and no film was
// found without one. Failed is the sectors that could not be read.
func filesOf(s Source, failed *sector.Set) (_ *FilesFacts, err error) {
	files, err := imager.OpenFiles(s.Dir)
	if err != nil {
		return nil, err
	}
	defer func() { err = errors.Join(err, files.Close()) }()
	v := files.Volume
	all := &FilesFacts{Lists: v.Root != nil, Needed: v.Structures.Needed.Count(), Systems: []string{}, Problems: []string{}, List: []FileFacts{}}
	for _, t := range v.Systems {
		all.Systems = append(all.Systems, systemName(t))
	}
	for _, p := range v.Problems {
		all.Problems = append(all.Problems, p.String())
	}
	if !all.Lists {
		all.Films, err = filmsIn(s.Films, files, nil, files.Choosy())
		if len(all.Films) == 0 {
			return nil, err
		}
		return all, err
	}
	wanted, err := files.WantedFiles()
	if err != nil {
		return nil, err
	}
	sums, err := imager.ReadSums(s.Dir)
	if err != nil && !errors.Is(err, imager.ErrNoSums) {
		return nil, err
	}
	all.listed = err == nil
	kept := map[string][]string{} // two files may have one path
	for _, x := range sums {
		kept[x.Path] = append(kept[x.Path], hex(x.Sum[:]))
	}
	for x := range files.All() {
		if wanted[x.Entry] {
			all.Tally.Add(x)
		}
		if x.Kind != tree.Regular {
			continue
		}
		f := fileOf(files, x, failed)
		f.Wanted = wanted[x.Entry]
		if list := kept[f.Path]; f.Whole() && len(list) > 0 {
			f.SHA256, kept[f.Path] = list[0], list[1:]
			all.withSum++
		}
		all.List = append(all.List, f)
	}
	all.Films, err = filmsIn(s.Films, files, all.List, files.Choosy())
	return all, err
}

func fileOf(files *imager.Files, x imager.File, failed *sector.Set) FileFacts {
	f := FileFacts{Path: x.Path(), Size: x.Size, State: x.State.String(), Missing: x.MissingBytes, Disputed: x.Disputed,
		Made: nameless(x.Entry), Modified: x.Modified}
	if x.State == imager.FileUnknown {
		f.Why = x.Why
	}
	if x.MissingBytes > 0 {
		for range files.Missing(x) {
			f.Places++
		}
		for _, e := range x.Extents {
			for run := range failed.In(e.Sectors()) {
				f.CouldNot += min(run.End.Offset(), e.At+e.Length) - max(run.First.Offset(), e.At)
			}
		}
	}
	return f
}

// nameless tells whether an entry's name, or that of a folder on the way to it, is not
// its own.
func nameless(e *volume.Entry) bool {
	for ; e != nil; e = e.Parent {
		if e.Found != tree.Listed {
			return true
		}
	}
	return false
}

func systemName(t tree.System) string {
	s := t.Kind.String()
	if t.Version != "" {
		s += " " + t.Version
	}
	if t.Label != "" {
		s += ", called " + t.Label
	}
	if t.Doubt != "" {
		s += "; uncertain: " + t.Doubt
	}
	return s
}

func hex(b []byte) string { return enchex.EncodeToString(b) }
