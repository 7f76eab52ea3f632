package found

import (
	"bytes"
	"encoding/binary"
	"io"
	"strconv"

	"turnstone/device/sector"
)

// Files is the files that begin as well-known ones do and whose end is certain, in order
// of address. img is the disc's image, size bytes of it, of which each read fails that
// asks for a missing byte. Cut is how many more began so and are cut off, in pieces, or
// of doubtful end.
func (f *Finder) Files(img io.ReaderAt, size int64) (files []Find, cut int) {
	end := int64(0)
	// Nearly all is read once; hostile images end it here.
	left, space := 4*size+mostBeside, make([]byte, window)
	for i, s := range f.starts {
		from := s.at.Offset()
		if from < end {
			continue // within the last
		}
		// A file ends before the next of its kind begins, or holds all of it.
		m := measure{img: img, from: from, size: size, space: space, left: &left}
		n, ext := int64(0), ""
		switch s.kind {
		case JPEG:
			n, ext = m.jpeg(), "jpg"
		case RIFF:
			n, ext = m.riff()
		case MP4:
			n, ext = m.mp4()
		case PDF:
			limit := size
			if i+1 < len(f.starts) {
				limit = f.starts[i+1].at.Offset()
			}
			n, ext = m.pdf(limit), "pdf"
		}
		if n <= 0 || from+n > size {
			cut++
			continue
		}
		end = from + n
		files = append(files, Find{Kind: s.kind, Size: n, Ext: ext,
			At: sector.Range{First: s.at, End: sector.LBA((end + sector.Size - 1) / sector.Size)}})
	}
	return files, cut + f.More
}

// measure finds where a file ends.
type measure struct {
	img        io.ReaderAt
	from, size int64
	space, buf []byte // buf is what of it is filled
	at         int64  // of buf, from the file's first byte on
	left       *int64 // bytes that may still be read
}

// bytes is at least n bytes from at on, and what is at hand behind them; nil where
// one is missing.
func (m *measure) bytes(at int64, n int) []byte {
	if off := at - m.at; off >= 0 && off+int64(n) <= int64(len(m.buf)) {
		return m.buf[off:]
	}
	if at < 0 || at > m.size-m.from || int64(n) > m.size-m.from-at {
		return nil
	}
	if *m.left <= 0 {
		return nil
	}
	k, _ := m.img.ReadAt(m.space[:min(window, m.size-m.from-at)], m.from+at)
	if m.buf, m.at = m.space[:k], at; k < n {
		*m.left -= window
		return nil
	}
	*m.left -= int64(k)
	return m.buf
}

// window is how much is read at a time.
const window = 64 << 10

// Bounds of what is read and of a file.
const (
	mostBeside = 64 << 20
	mostPhoto  = 256 << 20
	mostChunks = 100_000
)

// jpeg is how long a photo is (ITU-T T.81, B.1): segments of a marker and a length, and
// behind each start of a scan coded data, up to the marker that ends the image.
func (m *measure) jpeg() int64 {
	scans, frames := 0, 0
	for at := int64(2); at < mostPhoto; {
		b := m.bytes(at, 4)
		if b == nil {
			b = m.bytes(at, 2)
		}
		if b == nil || b[0] != 0xFF {
			return 0
		}
		switch code := b[1]; {
		case code == 0xFF:
			at++ // fill
			continue
		case code == 0xD9:
			if scans == 0 || frames == 0 {
				return 0
			}
			return at + 2
		case code < 0xC0 || code >= 0xD0 && code <= 0xD8 || len(b) < 4:
			return 0
		default:
			n := int64(binary.BigEndian.Uint16(b[2:]))
			if n < 2 {
				return 0
			}
			if code <= 0xCF && code != 0xC4 && code != 0xC8 && code != 0xCC {
				frames++
			}
			if at += 2 + n; code != 0xDA {
				continue
			}
			scans++
			if at = m.coded(at); at < 0 {
				return 0
			}
		}
	}
	return 0
}

// coded is where coded data ends: at a marker that is no restart; -1 where a byte of it
// is missing. Restarts come in turn.
func (m *measure) coded(at int64) int64 {
	turn := byte(0)
	for at < mostPhoto {
		b := m.bytes(at, 2)
		if b == nil {
			return -1
		}
		i := bytes.IndexByte(b[:len(b)-1], 0xFF)
		if i < 0 {
			at += int64(len(b) - 1)
			continue
		}
		switch code := b[i+1]; {
		case code == 0:
			at += int64(i) + 2
		case code >= 0xD0 && code <= 0xD7:
			if code&7 != turn {
				return -1
			}
			turn = (turn + 1) & 7
			at += int64(i) + 2
		default:
			return at + int64(i)
		}
	}
	return -1
}

// riff is how long a RIFF file is: a list whose chunks fill it exactly, and, of AVI of
// more than 1 GB, further ones.
func (m *measure) riff() (n int64, ext string) {
	b := m.bytes(0, 12)
	if b == nil {
		return 0, ""
	}
	form := string(b[8:12])
	ext = map[string]string{"AVI ": "avi", "WAVE": "wav"}[form]
	data, chunks := false, 0
	for at := int64(0); ; {
		end := at + 8 + int64(binary.LittleEndian.Uint32(b[4:]))
		for at += 12; at < end; {
			c := m.bytes(at, 8)
			if chunks++; c == nil || !fourcc(c[:4]) || chunks > mostChunks {
				return 0, ""
			}
			length := int64(binary.LittleEndian.Uint32(c[4:]))
			if l := m.bytes(at, 12); string(c[:4]) == "data" || l != nil && string(l[:4]) == "LIST" && string(l[8:12]) == "movi" {
				data = true
			}
			at += 8 + length + length&1
		}
		if at != end && at != end+1 || !data || m.bytes(end-1, 1) == nil {
			return 0, ""
		}
		next := m.bytes(end+end&1, 12)
		if form != "AVI " || next == nil || string(next[:4]) != "RIFF" || string(next[8:12]) != "AVIX" {
			return end, ext
		}
		at = end + end&1
		b = bytes.Clone(next[:12])
	}
}

func fourcc(b []byte) bool {
	for _, c := range b {
		if c < 0x20 || c > 0x7E {
			return false
		}
	}
	return true
}

// boxes of the top level of MP4 and QuickTime files.
var boxes = map[string]bool{"ftyp": true, "moov": true, "mdat": true, "free": true, "skip": true, "wide": true,
	"pnot": true, "uuid": true, "udta": true, "meta": true, "moof": true, "mfra": true, "sidx": true, "styp": true}

// mp4 is how long an MP4 or QuickTime file is (ISO/IEC 14496-12, 4.2): boxes behind each
// other, with one that describes the film and one that holds it.
func (m *measure) mp4() (n int64, ext string) {
	seen := map[string]bool{}
	ext = "mov"
	for range mostChunks {
		b := m.bytes(n, 8)
		if b == nil || !boxes[string(b[4:8])] {
			break
		}
		size, head := int64(binary.BigEndian.Uint32(b)), int64(8)
		if size == 1 {
			if b = m.bytes(n, 16); b == nil {
				return 0, ""
			}
			size, head = int64(binary.BigEndian.Uint64(b[8:])), 16
		}
		if size < head || size > m.size-m.from-n || m.bytes(n+size-1, 1) == nil {
			return 0, "" // to the end of the file, wherever that is; or it lies beyond
		}
		kind := string(m.kindAt(n))
		if kind == "ftyp" && n == 0 {
			ext = "mp4"
			if b := m.bytes(8, 4); b != nil && string(b[:4]) == "qt  " {
				ext = "mov"
			}
		} else if kind == "ftyp" {
			break // the next file
		}
		seen[kind] = true
		n += size
	}
	if !seen["moov"] || !seen["mdat"] && !seen["moof"] {
		return 0, ""
	}
	return n, ext
}

func (m *measure) kindAt(at int64) []byte {
	if b := m.bytes(at, 8); b != nil {
		return bytes.Clone(b[4:8])
	}
	return nil
}

// pdf is how long a document is (ISO 32000-1, 7.5.5): up to the last line that ends one,
// and says before it where a table lies, if one does.
func (m *measure) pdf(limit int64) (n int64) {
	const most, back = 256 << 20, 64
	mark := []byte("%%EOF")
	limit = min(limit-m.from, most)
	for at := int64(0); at < limit; {
		b := m.bytes(at, 1)
		if b == nil {
			return n
		}
		i := bytes.Index(b, mark)
		if i < 0 {
			at += max(1, int64(len(b)-len(mark)+1))
			continue
		}
		at += int64(i)
		if end := at + int64(len(mark)); end <= limit && m.pointsBack(at, back) {
			n = end
			if b := m.bytes(end, 2); b != nil && b[0] == '\r' && b[1] == '\n' {
				n += 2
			} else if b := m.bytes(end, 1); b != nil && (b[0] == '\n' || b[0] == '\r') {
				n++
			}
		}
		at++
	}
	return n
}

// pointsBack tells whether what stands before the end mark at a place says where the
// table of objects is, and something that can be one is there.
func (m *measure) pointsBack(at, back int64) bool {
	from := max(0, at-back)
	b := m.bytes(from, int(at-from))
	if b == nil {
		return false
	}
	b = b[:at-from]
	i := bytes.LastIndex(b, []byte("startxref"))
	if i < 0 {
		return false
	}
	place, err := strconv.ParseInt(string(bytes.TrimSpace(b[i+len("startxref"):])), 10, 64)
	if err != nil || place <= 0 || place >= at {
		return false
	}
	t := m.bytes(place, 8)
	return t != nil && (bytes.HasPrefix(t, []byte("xref")) || t[0] >= '0' && t[0] <= '9' && bytes.IndexByte(t[:8], ' ') > 0)
}
