// Package pack reads and writes pass files: a case's map and its good sectors in one file,
// for carrying to another station. It knows no case: whoever writes gives it values of a
// map and sectors, whoever reads gets them back, proven as far as a file can prove them.
// It encrypts nothing.
//
// # The file
//
// A pass file is a row of frames of the Zstandard format (RFC 8878), so that every tool
// for it can test the file (zstd -t). It is written, and read, from its start to its end
// without seeking; what was cut off at its end costs what was cut off. A label is a
// skippable frame (section 3.1.2) and says what follows it; a body is one compressed frame
// (section 3.1.1) with its content checksum.
//
//	┌──────┬───────────┬─ ─┬────────────┬─ ─┬────────────────┬─ ─┬───────────────┬─ ─┬─────┐
//	│ head │ map  body │   │ list  body │   │ sectors   body │   │ others   body │   │ end │
//	└──────┴───────────┴─ ─┴────────────┴─ ─┴────────────────┴─ ─┴───────────────┴─ ─┴─────┘
//	 label  one or more     one or more      those of the case's   readings that the label
//	                                         image                 case keeps beside it
//
//	Of a Video CD there is more: behind the list ┌────────────────┬─ ─, before the end ┌────────────┬─ ─
//	                                             │ form two  body │                     │ raw   body │
//	                                             └────────────────┴─ ─                  └────────────┴─ ─
//
//	label    ┌────────────┬────────┬──────┬──────────────┬─────────┐
//	         │ 0x184D2A5B │ length │ kind │ fields       │ CRC-32C │
//	         │ 4 B        │ 4 B    │ 1 B  │ length-5 B   │ 4 B     │
//	         └────────────┴────────┴──────┴──────────────┴─────────┘
//	           The checksum covers kind and fields. Length is at most 65,536.
//
// Numbers are little-endian; varints are those of encoding/binary.
//
//	kind         fields
//	 1  head     "turnstone pass file" and a zero byte; major and minor version, 2 B each;
//	             then JSON: Head
//	 2  map      the body's length, varint, and that of what it holds, varint
//	 3  list     the same
//	 4  sectors  the same; the case's pass that brought them, varint; how many ranges,
//	             varint; of each how far its first sector lies from the end of the one
//	             before (from 0), and how many sectors it has, varints
//	 5  others   the same
//	 6  end      how many labels went before, 8 B; the SHA-256 of all bytes before this
//	             label, 32 B
//	128 form two as 2
//	129 raw      the body's length and that of what it holds, varints; how many ranges, and
//	             of each what 4 has
//
// A body holds at most 1 MiB, and its window is no larger. What the bodies of the map hold is, one after the other, the
// values of the case's map.db (package mapfile), each with its checksum, the head first:
//
//	value    ┌────────┬────────┬────────┬─────┬────────┬────────────────┐
//	         │ length │ bucket │ length │ key │ length │ body, checksum │
//	         │ varint │        │ varint │     │ varint │                │
//	         └────────┴────────┴────────┴─────┴────────┴────────────────┘
//
// The list is two sets of sectors: which ones of the image the file is meant to hold, and
// of which ones the other readings. Each set is the number of its runs, and of each run
// what a range has in a label. What is listed and does not come could not be had any more
// when the file was written.
//
// Sectors come by pass, those of a pass in order of address; then the others, likewise. A
// sector has 2048 bytes; the map has the CRC-32C of each. What a frame says is nothing to
// believe before it was held against that: it is what a reader goes by, sector for sector,
// where a frame's own checksum could only say that something in it is wrong.
//
// # Beside the image of a CD
//
// Sectors of mode 2 form 2, as a Video CD's films are, have 2,324 bytes and no place in an
// image of 2048 each: the case keeps them raw (package imager). Form two is two sets, as
// the list has them: which sectors of the disc are of form 2, as far as that is known, and
// which of them the file is meant to hold. Raw has these, in order of address, each:
//
//	┌─────────┬───────┬──────────┬──────┬────────────┐
//	│ CRC-32C │ round │ readings │ zero │ raw sector │
//	│ 4 B     │ 2 B   │ 1 B      │ 1 B  │ 2352 B     │
//	└─────────┴───────┴──────────┴──────┴────────────┘
//	  The checksum covers what follows it. Round is the station's round that brought the
//	  sector; readings how many it was put together from, 1 where it came as it is.
//
// The map knows nothing of them. A raw sector says itself where it is from and proves itself
// by its error-detection code, where it has one; the checksum is for those that have none.
//
// Raw readings of sectors that are still missing stay where they are. They would have to be
// put together where they arrive, by a pass that no drive runs. They are noted by a station's
// rounds and drives, of which another has none: neither what a drive has been asked for
// could be told of them, nor how a sector was come by. And they are many, up to eight of a
// sector, with 2646 bytes each, most of which come to nothing.
//
// # Versions
//
// A program refuses a newer major version. Of a newer minor version it passes over kinds
// from 128 on, with their bodies if the first two fields are their lengths as above, and
// fields of JSON and bytes at the end of a label's fields that it does not know; a kind
// below 128 that it does not know is damage. The form of a label and of the head's first
// 24 bytes are those of every version. The map within has versions of its own.
//
//	1.1  kinds 128 and 129
//
// # Whoever made it
//
// A pass file may come from anywhere. Lengths are held against the bounds above before
// memory is taken, a body is never unpacked beyond what its label says, the list may have
// 16 MiB, the map 256 MiB and 4 million values of up to 64 MiB, its disc 2^26 sectors (a BD
// of four layers has fewer), and the map in memory 1 GiB.
package pack
