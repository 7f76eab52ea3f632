package sim

import (
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"os"

	"turnstone/device/sector"
	"turnstone/ecc/cd"
)

// content is what is recorded on a disc.
type content interface {
	// read fills buf, whole sectors, with what is recorded from first on.
	read(first sector.LBA, buf []byte) error
	io.Closer
}

// contentOf opens a scenario's content.
func contentOf(s *Scenario) (content, error) {
	if s.image == "" {
		return noise{s.Seed}, nil
	}
	file, err := os.Open(s.image)
	if err != nil {
		return nil, fmt.Errorf("scenario %s: image: %w", s.Name, err)
	}
	info, err := file.Stat()
	if err == nil && !info.Mode().IsRegular() {
		err = errors.New("not a plain file")
	}
	each := int64(sector.Size)
	if s.raw {
		each = cd.Size
	}
	if most := s.Sectors * each; err == nil && info.Size() > most {
		err = fmt.Errorf("%d bytes, more than the %d of the disc", info.Size(), most)
	}
	if err != nil {
		file.Close()
		return nil, fmt.Errorf("scenario %s: image %s: %w", s.Name, s.image, err)
	}
	if s.raw {
		return rawImage{image{file}}, nil
	}
	return image{file}, nil
}

// noise is a content in which each sector is peculiar: it begins with its own
// address (8 bytes, big endian) and goes on with random words.
type noise struct{ seed uint64 }

func (n noise) read(first sector.LBA, buf []byte) error {
	for i := 0; i < len(buf); i += sector.Size {
		s := buf[i:][:sector.Size]
		binary.BigEndian.PutUint64(s, uint64(first))
		u := newStream(forContent, n.seed, uint64(first))
		for at := 8; at < sector.Size; at += 8 {
			binary.LittleEndian.PutUint64(s[at:], u.bits(uint64(at)))
		}
		first++
	}
	return nil
}

func (noise) Close() error { return nil }

// image is a content from a file; zeros behind its end.
type image struct{ file *os.File }

func (m image) read(first sector.LBA, buf []byte) error {
	n, err := m.file.ReadAt(buf, first.Offset())
	if errors.Is(err, io.EOF) {
		clear(buf[n:])
		err = nil
	}
	return err
}

func (m image) Close() error { return m.file.Close() }
