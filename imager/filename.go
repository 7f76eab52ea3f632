package imager

import (
	"errors"
	"fmt"
	"path"
	"strings"

	"turnstone/imager/volume"
)

// ErrNoSuchFile is returned when no file of the disc has a name that was asked for.
var ErrNoSuchFile = errors.New("no such file on the disc")

// fileName is what a user calls files by: a name, looked for in every folder, or a
// path from the root, which has a slash. Case does not matter, for most discs have
// none. In each part * and ? and [abc] stand for what they do in package path; a part
// that is a name as it stands is that name all the same. A folder's name stands for
// all that is in it.
type fileName struct {
	typed    string
	parts    []string // folded
	wild     bool     // some part may stand for several names
	anchored bool     // it is a path from the root
}

// parseFileName reads a name. ErrNoSuchFile is returned for one that no file can have.
func parseFileName(typed string) (fileName, error) {
	n := fileName{typed: typed, anchored: strings.Contains(typed, "/")}
	for part := range strings.SplitSeq(typed, "/") {
		switch part {
		case "", ".":
			continue
		case "..":
			return n, fmt.Errorf("%q: a path on a disc has no %q: %w", typed, part, ErrNoSuchFile)
		}
		n.parts = append(n.parts, foldName(part))
		if _, err := path.Match(part, ""); err == nil && strings.ContainsAny(part, `*?[`) {
			n.wild = true
		}
	}
	if len(n.parts) == 0 && strings.Trim(typed, "./") != "" {
		return n, fmt.Errorf("%q: %w", typed, ErrNoSuchFile)
	}
	return n, nil
}

// foldName is a name as names are compared.
func foldName(name string) string { return strings.ToLower(name) }

// partIs tells whether a part stands for a folded name.
func partIs(part, name string) bool {
	if part == name {
		return true
	}
	ok, err := path.Match(part, name)
	return ok && err == nil
}

// names tells whether n names e itself. The root has the name of no parts.
func (n *fileName) names(e *volume.Entry) bool {
	if !n.anchored && len(n.parts) == 1 {
		return e.Parent != nil && partIs(n.parts[0], foldName(e.Name))
	}
	return n.begins(e, len(n.parts))
}

// begins tells whether the first so many parts of a path name e.
func (n *fileName) begins(e *volume.Entry, parts int) bool {
	for ; parts > 0; parts-- {
		if e.Parent == nil || !partIs(n.parts[parts-1], foldName(e.Name)) {
			return false
		}
		e = e.Parent
	}
	return e.Parent == nil
}

// leadsTo tells whether what n names may be below the directory e.
func (n *fileName) leadsTo(e *volume.Entry) bool {
	if !n.anchored {
		return true
	}
	for parts := range n.parts {
		if n.begins(e, parts) {
			return true
		}
	}
	return false
}

// selection is what names stand for on a disc.
type selection struct {
	names []fileName
	found []int  // entries, by name
	open  []bool // by name: listings that may have more of it are not complete
	all   map[*volume.Entry]bool
}

// selectFiles is what names stand for; no names stand for everything. An error is
// returned for a name that no file can have.
func selectFiles(v *volume.Volume, names []string) (*selection, error) {
	s := &selection{all: map[*volume.Entry]bool{}}
	for _, typed := range names {
		n, err := parseFileName(typed)
		if err != nil {
			return nil, err
		}
		s.names = append(s.names, n)
	}
	s.found, s.open = make([]int, len(names)), make([]bool, len(names))
	if v.Root == nil {
		return s, nil
	}
	// Of a directory that is named all below it is; by is whose it is.
	by := map[*volume.Entry][]int{}
	visit := func(e *volume.Entry) {
		own := by[e.Parent]
		for i := range s.names {
			if s.names[i].names(e) {
				own = append(own[:len(own):len(own)], i)
				s.found[i]++
			}
		}
		if len(own) > 0 || len(names) == 0 {
			s.all[e] = true
			if e.Folder() {
				by[e] = own
			}
		}
	}
	visit(v.Root)
	for e := range v.All() {
		visit(e)
	}
	s.lookAround(v, by)
	return s, nil
}

// lookAround finds the names that may stand for more than is listed.
func (s *selection) lookAround(v *volume.Volume, by map[*volume.Entry][]int) {
	visit := func(e *volume.Entry) {
		if e.State == volume.Whole {
			return
		}
		for _, i := range by[e] {
			s.open[i] = true
		}
		for i := range s.names {
			n := &s.names[i]
			s.open[i] = s.open[i] || (n.wild || s.found[i] == 0) && n.leadsTo(e)
		}
	}
	visit(v.Root)
	for e := range v.All() {
		if e.Folder() {
			visit(e)
		}
	}
}

// also takes a folder and what it holds among what the names stand for, beside the
// volume's tree: what they name of it, or all.
func (s *selection) also(folder *volume.Entry, all bool) {
	all = all || len(s.names) == 0
	for i := range s.names {
		if s.names[i].names(folder) {
			s.found[i]++
			all = true
		}
	}
	if all {
		s.all[folder] = true
	}
	for _, e := range folder.Children {
		named := all
		for i := range s.names {
			if s.names[i].names(e) {
				s.found[i]++
				named = true
			}
		}
		if named {
			s.all[e] = true
		}
	}
}

// has tells whether an entry is among them.
func (s *selection) has(e *volume.Entry) bool { return s.all[e] }

// notFound is an ErrNoSuchFile where a name stands for nothing that is listed; among
// those that may be listed later where open says so.
func (s *selection) notFound(open bool) error {
	for i, n := range s.names {
		if s.found[i] == 0 && (!open || !s.open[i]) {
			return fmt.Errorf("%q: %w", n.typed, ErrNoSuchFile)
		}
	}
	return nil
}
