package video

import (
	"encoding/binary"
	"time"
)

// Ticks counts the 90 kHz of a stream's time stamps.
type Ticks int64

// Second is a second of time stamps.
const Second Ticks = 90_000

// none stands for a time stamp that is not there.
const none Ticks = -1

// Duration is the time that so many ticks take.
func (t Ticks) Duration() time.Duration {
	return time.Duration(t/Second)*time.Second + time.Duration(t%Second)*time.Second/time.Duration(Second)
}

// ticksOf is a time in ticks.
func ticksOf(d time.Duration) Ticks { return Ticks(d / (time.Second / 10_000) * 9) }

// Start codes (ISO/IEC 13818-1, table 2-18; 13818-2, table 6-1 [memory]).
const (
	picture         = 0x00
	sequenceHeader  = 0xB3
	groupOfPictures = 0xB8
	programEnd      = 0xB9
	packHeader      = 0xBA
	systemHeader    = 0xBB
	privateStream1  = 0xBD
	paddingStream   = 0xBE
	privateStream2  = 0xBF
	audioStream     = 0xC0 // up to 0xDF
	videoStream     = 0xE0 // up to 0xEF
)

// Pack is the header of a pack.
type Pack struct {
	SCR  Ticks // system clock reference, the base of 90 kHz only
	Rate int64 // bytes a second that the stream takes at the most; 0: not told
	Len  int   // of the header in bytes, stuffing included
	MPEG int   // 1 or 2
}

// packSpace is the longest header: 14 bytes and 7 of stuffing.
const packSpace = 14 + 7

// ParsePack reads the header of a pack; not ok where b begins with none. The marker
// bits are held against what they must be: so few bytes that are none look like one.
//
//	MPEG-2 (ISO/IEC 13818-1, 2.5.3.3):  00 00 01 BA  01bb b1bb bbbb bbbb bbbb b1bb
//	  bbbb bbbb bbbb b1ee eeee eee1  rrrr rrrr rrrr rrrr rrrr rr11  xxxx xsss
//	MPEG-1 (ISO/IEC 11172-1, 2.4.3.2 [memory]):  00 00 01 BA  0010 bbb1 bbbb bbbb
//	  bbbb bbb1 bbbb bbbb bbbb bbb1  1rrr rrrr rrrr rrrr rrrr rrr1
func ParsePack(b []byte) (p Pack, ok bool) {
	if len(b) < 12 || b[0] != 0 || b[1] != 0 || b[2] != 1 || b[3] != packHeader {
		return p, false
	}
	switch {
	case b[4]>>6 == 1 && len(b) >= 14:
		if b[4]&4 == 0 || b[6]&4 == 0 || b[8]&4 == 0 || b[9]&1 == 0 || b[12]&3 != 3 {
			return p, false
		}
		p = Pack{MPEG: 2, Len: 14 + int(b[13]&7),
			SCR: Ticks(b[4]>>3&7)<<30 | Ticks(b[4]&3)<<28 | Ticks(b[5])<<20 | Ticks(b[6]>>3)<<15 |
				Ticks(b[6]&3)<<13 | Ticks(b[7])<<5 | Ticks(b[8]>>3),
			Rate: (int64(b[10])<<14 | int64(b[11])<<6 | int64(b[12]>>2)) * 50}
	case b[4]>>4 == 2:
		if b[9]>>7 == 0 || b[11]&1 == 0 {
			return p, false
		}
		scr, marked := stamp(b[4:9])
		if !marked {
			return p, false
		}
		p = Pack{MPEG: 1, Len: 12, SCR: scr, Rate: (int64(b[9]&0x7f)<<15 | int64(b[10])<<7 | int64(b[11]>>1)) * 50}
	default:
		return p, false
	}
	return p, true
}

// stamp reads 33 bits of time in 5 bytes: four bits, then 3, 15 and 15 with a marker
// behind each (13818-1, 2.4.3.7).
func stamp(b []byte) (t Ticks, marked bool) {
	t = Ticks(b[0]>>1&7)<<30 | Ticks(b[1])<<22 | Ticks(b[2]>>1)<<15 | Ticks(b[3])<<7 | Ticks(b[4]>>1)
	return t, b[0]&1 == 1 && b[2]&1 == 1 && b[4]&1 == 1
}

// header is what stands before the payload of a PES packet.
type header struct {
	pts       Ticks // of the first picture or frame that begins in the packet; none
	scrambled bool
	payload   int // where it begins
}

// parseHeader reads the header of the packet b, start code and length included; not ok
// where it is cut off or none. Padding and private stream 2 have no header.
func parseHeader(b []byte, mpeg int) (h header, ok bool) {
	h.pts = none
	switch b[3] {
	case paddingStream, privateStream2:
		h.payload = 6
		return h, true
	}
	if mpeg == 2 {
		if len(b) < 9 || b[6]>>6 != 2 {
			return h, false
		}
		h.scrambled = b[6]>>4&3 != 0
		h.payload = 9 + int(b[8])
		if b[7]>>7 == 1 && b[8] >= 5 && len(b) >= 14 {
			if pts, marked := stamp(b[9:14]); marked {
				h.pts = pts
			}
		}
		return h, h.payload <= len(b)
	}
	// MPEG-1 (11172-1, 2.4.3.3 [memory]): stuffing of 0xFF, the decoder's buffer, stamps.
	i := 6
	for i < len(b) && i < 6+16 && b[i] == 0xFF {
		i++
	}
	if i+2 <= len(b) && b[i]>>6 == 1 {
		i += 2
	}
	switch {
	case i+5 <= len(b) && (b[i]>>4 == 2 || b[i]>>4 == 3):
		if pts, marked := stamp(b[i : i+5]); marked {
			h.pts = pts
		}
		h.payload = i + 5*int(b[i]>>4-1)
	case i < len(b) && b[i] == 0x0F:
		h.payload = i + 1
	default:
		return h, false
	}
	return h, h.payload <= len(b)
}

func isVideo(id byte) bool { return id&0xF0 == videoStream }

// Protected tells whether the payload of a sector's pack is scrambled, as on protected
// titles: these are left alone. Bits 5 and 4 of byte 20, in the header of the packet
// behind a pack header without stuffing.
func Protected(b []byte) bool {
	p, ok := ParsePack(b)
	if !ok || p.MPEG != 2 || len(b) < p.Len+7 {
		return false
	}
	b = b[p.Len:]
	if b[0] != 0 || b[1] != 0 || b[2] != 1 || b[3] < privateStream1 || b[3] == paddingStream || b[3] == privateStream2 {
		return false
	}
	return b[6]>>6 == 2 && b[6]>>4&3 != 0
}

func u16(b []byte) int   { return int(binary.BigEndian.Uint16(b)) }
func u32(b []byte) int64 { return int64(binary.BigEndian.Uint32(b)) }
