package bench

import (
	"crypto/sha256"
	"encoding/base32"
	"encoding/json"
	"errors"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"sync"
	"unicode/utf8"

	"turnstone/imager"
)

// shelf is the cases that the page shows: those that were named, and those in folders
// that were named. Nothing outside of them is ever opened.
type shelf struct {
	named []string // as they were named, absolute
	made  string   // the folder that new cases are made in, absolute

	mu    sync.Mutex
	cases map[string]*shown // by ID
}

// shown is a case on the page.
type shown struct {
	id  string
	dir string // absolute
	job string // what it is called as long as names are not asked for

	unborn bool // it was begun here, and a drive has yet to say what its disc is

	mu sync.Mutex
	case_
}

// ErrNothing is returned when a folder is neither a case nor a place for cases.
var ErrNothing = errors.New("no such folder")

// newShelf is the shelf of what was named: cases, and folders of cases; the current
// folder where nothing was.
func newShelf(names []string) (*shelf, error) {
	s := &shelf{cases: map[string]*shown{}}
	if len(names) == 0 {
		names = []string{"."}
	}
	for _, n := range names {
		dir, err := filepath.Abs(n)
		if err != nil {
			return nil, err
		}
		there, err := imager.Exists(dir)
		if err != nil && !errors.Is(err, imager.ErrNotEmpty) {
			return nil, err
		}
		if info, serr := os.Stat(dir); serr != nil || !info.IsDir() {
			return nil, &os.PathError{Op: "bench", Path: n, Err: ErrNothing}
		}
		if !there && s.made == "" {
			s.made = dir
		}
		s.named = append(s.named, dir)
	}
	if s.made == "" {
		s.made = filepath.Dir(s.named[0])
	}
	return s, nil
}

// look looks which cases there are, and returns them, the newest name last.
func (s *shelf) look() []*shown {
	dirs := map[string]bool{}
	for _, n := range s.named {
		if isCase(n) {
			dirs[n] = true
			continue
		}
		entries, _ := os.ReadDir(n)
		for _, e := range entries {
			if dir := filepath.Join(n, e.Name()); e.IsDir() && isCase(dir) {
				dirs[dir] = true
			}
		}
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	for id, c := range s.cases {
		if !dirs[c.dir] && !isCase(c.dir) && !c.unborn {
			delete(s.cases, id)
		}
	}
	for dir := range dirs {
		s.add(dir)
	}
	all := make([]*shown, 0, len(s.cases))
	for _, c := range s.cases {
		all = append(all, c)
	}
	slices.SortFunc(all, func(a, b *shown) int { return strings.Compare(a.dir, b.dir) })
	return all
}

// add puts a case on the shelf, if it is not there.
func (s *shelf) add(dir string) *shown {
	id := idOf(dir)
	if s.cases[id] == nil {
		s.cases[id] = &shown{id: id, dir: dir, job: jobOf(dir)}
	}
	return s.cases[id]
}

// of is a case by its ID; nil where there is none.
func (s *shelf) of(id string) *shown {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.cases[id]
}

func isCase(dir string) bool {
	info, err := os.Stat(filepath.Join(dir, "map.db"))
	return err == nil && info.Mode().IsRegular()
}

// idOf is what pages call a folder or a drive: it tells nothing of its name.
func idOf(name string) string {
	sum := sha256.Sum256([]byte(name))
	return base32.StdEncoding.EncodeToString(sum[:5])
}

// numbered is a folder's name that is a job's number and nothing else: it may be shown
// to whoever walks by.
var numbered = regexp.MustCompile(`^(?i:job|case|no)?[-_ .]*([0-9][0-9-]*)$`)

// jobOf is the job's number, of a folder whose name is one, or else letters that stand
// for it.
func jobOf(dir string) string {
	if m := numbered.FindStringSubmatch(filepath.Base(dir)); m != nil {
		return "Job " + m[1]
	}
	return "Job " + idOf(dir)[:4]
}

// next is a name for a new case: the job number behind the last.
func (s *shelf) next() string {
	last := 0
	entries, _ := os.ReadDir(s.made)
	for _, e := range entries {
		if m := numbered.FindStringSubmatch(e.Name()); m != nil {
			if n, err := strconv.Atoi(m[1]); err == nil {
				last = max(last, n)
			}
		}
	}
	return "job-" + strconv.Itoa(last+1)
}

// errName is returned for a name that no new case can have.
var errName = errors.New("a job's name is up to 60 letters, digits, spaces, dots and dashes, and begins with a letter or digit")

// plainName is what a new case's name is made of. How long it may be is counted apart:
// sixty times all the world's letters make a program that takes each start of this one
// some milliseconds.
var plainName = regexp.MustCompile(`^[\p{L}\p{N}][\p{L}\p{N} ._-]*$`)

// longestName is in letters.
const longestName = 60

// fresh is the folder of a new case of a name.
func (s *shelf) fresh(name string) (string, error) {
	if name == "" {
		name = s.next()
	}
	if !plainName.MatchString(name) || utf8.RuneCountInString(name) > longestName || name != strings.TrimSpace(name) {
		return "", errName
	}
	dir := filepath.Join(s.made, name)
	if _, err := os.Lstat(dir); err == nil {
		return "", errors.New("there is a folder of that name already")
	}
	return dir, nil
}

// snapshotOf is what a case's status.json says; not ok where there is none.
func snapshotOf(dir string) (st imager.Status, ok bool) {
	b, err := os.ReadFile(filepath.Join(dir, "status.json"))
	if err != nil || json.Unmarshal(b, &st) != nil || len(st.Rounds) == 0 {
		return st, false
	}
	return st, true
}

// stampOf tells one checkpoint of a case from the next.
func stampOf(dir string) string {
	info, err := os.Stat(filepath.Join(dir, "status.json"))
	if err != nil {
		return "none"
	}
	return info.ModTime().String() + strconv.FormatInt(info.Size(), 10)
}
