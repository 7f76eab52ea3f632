package imager

import (
	"bufio"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"

	"turnstone/imager/volume/tree"
)

// The sums of a case's whole files lie in its folder, in the form that sha256sum of
// coreutils reads, so that what was extracted can be checked without this program:
//
//	CASE/files/SHA256SUMS   64 digits, two spaces, the path on the disc; a line that
//	                        begins with a backslash has \\ and \n and \r in its path
const (
	FilesName = "files" // what was made of the files
	sumsName  = "SHA256SUMS"
)

// SumsPath is where the sums of the case in dir lie.
func SumsPath(dir string) string { return filepath.Join(dir, FilesName, sumsName) }

// ErrNoSums is returned when files are to be held against sums that nobody made.
var ErrNoSums = errors.New("no sums of its files are kept")

// FileSum is the SHA-256 of a file.
type FileSum struct {
	Path string
	Sum  [sha256.Size]byte
}

// Sum is the SHA-256 of a file; not ok where it is not whole, or turns out not to be.
func (f *Files) Sum(ctx context.Context, x File) (sum [sha256.Size]byte, ok bool, err error) {
	if x.Kind != tree.Regular || x.State != FileWhole {
		return sum, false, nil
	}
	h := sha256.New()
	zeros := make([]byte, 64<<10)
	errNot := errors.New("not whole")
	err = f.bytesOf(ctx, x, func(at tree.Span, what fill, data []byte) error {
		switch what {
		case fillData:
			h.Write(data)
		case fillZeros:
			for n := at.End - at.First; n > 0; n -= int64(len(zeros)) {
				h.Write(zeros[:min(n, int64(len(zeros)))])
			}
		default:
			return errNot
		}
		return nil
	})
	if errors.Is(err, errNot) || errors.Is(err, errTooLarge) {
		return sum, false, nil
	}
	return [sha256.Size]byte(h.Sum(nil)), err == nil, err
}

// appendSum appends the line of a sum.
func appendSum(b []byte, s FileSum) []byte {
	path := strings.NewReplacer("\\", `\\`, "\n", `\n`, "\r", `\r`).Replace(s.Path)
	if path != s.Path {
		b = append(b, '\\')
	}
	b = hex.AppendEncode(b, s.Sum[:])
	return append(append(append(b, "  "...), path...), '\n')
}

// WriteSums puts sums into the folder of the case in dir, in the place of those that
// are there. It may be done while a pass runs.
func WriteSums(dir string, sums []FileSum) error {
	if err := os.Mkdir(filepath.Join(dir, FilesName), 0o700); err != nil && !errors.Is(err, fs.ErrExist) {
		return err
	}
	var b []byte
	for _, s := range sums {
		b = appendSum(b, s)
	}
	return replaceFile(SumsPath(dir), b)
}

// ReadSums is the sums that are kept of the case in dir. ErrNoSums is returned where
// there are none.
func ReadSums(dir string) ([]FileSum, error) {
	f, err := os.Open(SumsPath(dir))
	if errors.Is(err, fs.ErrNotExist) {
		return nil, ErrNoSums
	}
	if err != nil {
		return nil, err
	}
	defer f.Close()
	var sums []FileSum
	lines := bufio.NewScanner(f)
	lines.Buffer(nil, 1<<20)
	for n := 1; lines.Scan(); n++ {
		s, err := parseSum(lines.Text())
		if err != nil {
			return nil, fmt.Errorf("%s: line %d: %w", f.Name(), n, err)
		}
		sums = append(sums, s)
	}
	return sums, lines.Err()
}

// parseSum reads the line of a sum.
func parseSum(line string) (s FileSum, err error) {
	line, escaped := strings.CutPrefix(line, `\`)
	digits, path, ok := strings.Cut(line, "  ")
	if b, herr := hex.DecodeString(digits); !ok || herr != nil || len(b) != sha256.Size {
		return s, errors.New("not a sum and a path")
	} else {
		s.Sum = [sha256.Size]byte(b)
	}
	if !escaped {
		s.Path = path
		return s, nil
	}
	var b strings.Builder
	for i := 0; i < len(path); i++ {
		if path[i] != '\\' {
			b.WriteByte(path[i])
			continue
		}
		i++
		if i == len(path) {
			return s, errors.New("a backslash ends the path")
		}
		switch path[i] {
		case '\\':
			b.WriteByte('\\')
		case 'n':
			b.WriteByte('\n')
		case 'r':
			b.WriteByte('\r')
		default:
			return s, fmt.Errorf("nothing is written \\%c", path[i])
		}
	}
	s.Path = b.String()
	return s, nil
}

// SumsCompared is what became of the files whose sums are kept.
type SumsCompared struct {
	Compared int      // files that are as they were
	Problems []string // one sentence each, without its period
	Unlisted int      // whole files of which no sum is kept
}

// CompareSums holds the files of the case against the sums that are kept of them.
func (f *Files) CompareSums(ctx context.Context, kept []FileSum) (SumsCompared, error) {
	var res SumsCompared
	left := map[string][]FileSum{} // two files may have one path
	for _, s := range kept {
		left[s.Path] = append(left[s.Path], s)
	}
	problem := func(format string, args ...any) { res.Problems = append(res.Problems, fmt.Sprintf(format, args...)) }
	for x := range f.All() {
		if x.Kind != tree.Regular {
			continue
		}
		path := x.Path()
		want := left[path]
		if len(want) == 0 {
			if x.State == FileWhole {
				res.Unlisted++
			}
			continue
		}
		sum, ok, err := f.Sum(ctx, x)
		if err != nil {
			return res, err
		}
		i := max(0, slices.IndexFunc(want, func(s FileSum) bool { return s.Sum == sum }))
		switch {
		case !ok:
			state := x.State.String()
			if x.State == FileWhole {
				state = "rotten in the image"
			}
			problem("%q was whole when its sum was made, and is %s now", path, state)
		case want[i].Sum != sum:
			problem("%q has other bytes than when its sum was made", path)
		default:
			res.Compared++
		}
		left[path] = slices.Delete(want, i, i+1)
	}
	for _, s := range kept {
		if len(left[s.Path]) > 0 {
			problem("%q has a sum, and is not on the disc any more as it is known now", s.Path)
			left[s.Path] = left[s.Path][1:]
		}
	}
	return res, nil
}
