package imager

import (
	"context"
	"crypto/sha256"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"strings"

	"turnstone/device/sector"
)

// The sum of a case's image lies in its folder, in the form that sha256sum of coreutils
// reads, so that whoever has a copy of both can compare them without this program:
//
//	CASE/image.sha256   64 digits, two spaces, image.iso
const imageSumName = "image.sha256"

// ImageSumPath is where the sum of the image of the case in dir lies.
func ImageSumPath(dir string) string { return filepath.Join(dir, imageSumName) }

// SumImage is the SHA-256 of the whole image, with the zeros where sectors are missing;
// it is kept beside the image. Progress is told how far it is; it may be nil.
func (c *Case) SumImage(ctx context.Context, progress func(done, all int64)) (sum [sha256.Size]byte, err error) {
	h := sha256.New()
	buf := make([]byte, largest*sector.Size)
	all := whole(c.m.Disc().Sectors).Bytes()
	for at := int64(0); at < all; {
		if err := ctx.Err(); err != nil {
			return sum, err
		}
		p := buf[:min(int64(len(buf)), all-at)]
		if _, err := c.f.ReadAt(p, at); err != nil {
			return sum, err
		}
		h.Write(p)
		at += int64(len(p))
		if progress != nil {
			progress(at, all)
		}
	}
	sum = [sha256.Size]byte(h.Sum(nil))
	return sum, replaceFile(ImageSumPath(c.Dir), appendSum(nil, FileSum{Path: imageName, Sum: sum}))
}

// ReadImageSum is the sum that is kept of the image of the case in dir. ErrNoSums is
// returned where there is none, and where the image was written to since.
func ReadImageSum(dir string) (sum [sha256.Size]byte, err error) {
	f, err := os.Open(ImageSumPath(dir))
	if errors.Is(err, fs.ErrNotExist) {
		return sum, ErrNoSums
	}
	if err != nil {
		return sum, err
	}
	defer f.Close()
	made, err := f.Stat()
	if err != nil {
		return sum, err
	}
	// Where the image is deleted its last sum still tells which it was.
	if image, err := os.Stat(filepath.Join(dir, imageName)); err == nil && image.ModTime().After(made.ModTime()) {
		return sum, fmt.Errorf("%w since the image was written to", ErrNoSums)
	}
	const most = 1 << 10
	b, err := io.ReadAll(io.LimitReader(f, most))
	if err != nil {
		return sum, err
	}
	line, rest, _ := strings.Cut(string(b), "\n")
	s, err := parseSum(line)
	if err != nil || s.Path != imageName || rest != "" {
		return sum, fmt.Errorf("%s: not the sum of an image", f.Name())
	}
	return s.Sum, nil
}
