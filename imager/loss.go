package imager

import (
	"fmt"
	"slices"
	"strings"

	"turnstone/device/sector"
	"turnstone/imager/volume/tree"
	"turnstone/mapfile"
)

// Loss is neighbouring good sectors that have rotted, of one pass.
type Loss struct {
	Range sector.Range `json:"range"`
	Pass  int          `json:"pass"`  // that won them
	By    string       `json:"by"`    // its drive, or where it came from
	Files []string     `json:"files"` // paths on the disc, of the files that have bytes there
	// Structure tells that the disc's file system stands there.
	Structure bool `json:"structure"`
}

// losses is who had won rotten sectors, and of which files they are, as far as the rest of
// the image still tells. The map still calls them good.
func losses(m *mapfile.Map, files *Files, rotten sector.Set) []Loss {
	var all []Loss
	passes, drives := m.Passes(), m.Drives()
	for r := range rotten.Runs() {
		for a := r.First; a < r.End; a++ {
			pass, _ := m.Winner(a)
			if n := len(all); n > 0 && all[n-1].Range.End == a && all[n-1].Pass == pass {
				all[n-1].Range.End++
				continue
			}
			all = append(all, Loss{Range: sector.Span(a, 1), Pass: pass, By: passBy(passes[pass], drives), Files: []string{}})
		}
	}
	if files == nil || files.Volume.Root == nil {
		return all
	}
	s := &files.Volume.Structures
	structures := s.Descriptors.Union(&s.Tables)
	structures = structures.Union(&s.Directories)
	for i := range all {
		all[i].Structure = structures.Overlaps(all[i].Range)
	}
	for x := range files.All() {
		if x.Kind != tree.Regular {
			continue
		}
		for _, e := range x.Extents {
			in := e.Sectors()
			if !rotten.Overlaps(in) {
				continue
			}
			first, _ := slices.BinarySearchFunc(all, in.First, func(l Loss, a sector.LBA) int { return int(l.Range.End - a - 1) })
			for l := range all[first:] {
				if of := &all[first+l]; !of.Range.Overlaps(in) {
					break
				} else if path := x.Path(); !slices.Contains(of.Files, path) {
					of.Files = append(of.Files, path)
				}
			}
		}
	}
	return all
}

// String says who had won the sectors, and what they are of.
func (l Loss) String() string {
	s := fmt.Sprintf("sectors %v, won by pass %d", l.Range, l.Pass)
	if l.By != "" {
		s += fmt.Sprintf(" (%s)", l.By)
	}
	of := make([]string, 0, len(l.Files)+1)
	for _, f := range l.Files {
		of = append(of, shownIn(f))
	}
	if l.Structure {
		of = append(of, "the disc's file system")
	}
	if len(of) == 0 {
		return s + ": of no file that is known"
	}
	return s + ": of " + strings.Join(of, ", ")
}
