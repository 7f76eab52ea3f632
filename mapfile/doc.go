// Package mapfile keeps the map of a case: what is known of every sector of its
// disc, and by which rounds, drives and passes. It knows no drive and no image;
// it stores what it is told.
//
// A [Map] lives in memory. [Open] loads it from a file, which it proves first;
// changes are pending until [Map.Commit] writes them, in one transaction that is
// durable when Commit returns. The file is held only meanwhile: by a shared lock
// while it is read, by an exclusive one while a commit is written. [Check] proves
// the file alone.
//
// # The file
//
// The file is a bbolt database (data file version 2, pages of 4096 bytes) with
// these buckets:
//
//	bucket           key                     body of the value
//	"turnstone map"  "head"                  JSON: what the rest is held against
//	"records"        "disc"                  JSON: discRecord
//	                 "wanted"                JSON: wantedRecord; none: everything is wanted
//	                 "closing"               JSON: Closing; none: the case is open
//	                 "watched"               JSON: Watched; none: nobody said so
//	                 "round 00000" ...       JSON: Round
//	                 "drive 00000" ...       JSON: Drive
//	                 "pass 00000" ...        JSON: Pass
//	"states"         page                    states of 128 sectors
//	"runs"           pass, page              what a pass learned of 512 sectors
//	"conflicts"      page                    other data of 128 sectors
//	"events"         block                   deflated (RFC 1951) lines of JSON
//
// In keys a pass is 2 bytes and a page or block 4, big-endian. Page n begins at
// sector n times 128 (512 in "runs"). Numbers in bodies are little-endian;
// varints are those of encoding/binary, in their shortest form.
//
// # Values
//
// Behind each body stand four bytes: the CRC-32C of the bucket's name, a slash,
// the key and the body. So neither a changed bit nor a value at a wrong place goes
// unnoticed. The head holds the number of all other values and the sum of their
// checksums modulo 2^64, so that neither a lost nor an old value does; the counts
// of sectors, rounds, drives, passes and conflicts; and the length that the file
// had when the last commit began. The file is never shorter than that length, nor
// than what its pages in use take.
//
//	states   ┌────────┬────────┬───────────────┬──────────────────────┐
//	         │ good   │ bad    │ winners       │ CRC-32C of each good │
//	         │ 16 B   │ 16 B   │ pieces        │ sector, 4 B each     │
//	         └────────┴────────┴───────────────┴──────────────────────┘
//	           bit i of the 128, from the lowest of the first byte on, is
//	           sector i; what is neither good nor bad is untried. A page
//	           without a value is untried. Winners are pieces over the good
//	           sectors only: the number of the pass that won them, and 1.
//
//	runs     ┌─────────────────────────────┐   a kind is four bytes:
//	         │ pieces over the 512 sectors │   ┌─────────────┬────────┬──────┬──────────┐
//	         └─────────────────────────────┘   │result, flags│attempts│ took │ settings │
//	                                           └─────────────┴────────┴──────┴──────────┘
//	           bits 0-2 of the first byte are the Result, bit 3 is weak,
//	           bit 4 alone; took is a TimeClass.
//
//	pieces   ┌───────┬──────────────────┬───────┬───────┬─ ─ ─
//	         │ kinds │ kind 1 .. kind k │ piece │ piece │
//	         │ varint│ 4 B each         │ varint│ varint│
//	         └───────┴──────────────────┴───────┴───────┴─ ─ ─
//	           A piece is n-1 shifted left by w, or-ed with j, where w is
//	           the number of bits of k+1: n neighbours of kind j, of none
//	           for j = 0; for j = k+1 the two pieces before are repeated n
//	           times. Neighbouring pieces differ; what follows the last is
//	           of none.
//
//	conflicts  for each other data of a sector: its place in the page, 1 B;
//	           the first pass that brought it, shifted left by 2 and or-ed
//	           with what was decided of it, varint; its CRC-32C, 4 B. In
//	           order of place, pass, sum. What was kept stands in "states".
//	           Decided: 0 nothing, the two are in conflict; 1 against it; 2
//	           for it, and it is not in the image yet: its sector is not
//	           good, and no other data of the sector is decided for.
//
// A block of events is closed when its lines have 32 KiB; numbers of blocks begin
// at 0. A line holds what eventLine holds.
//
// # Versions
//
// The head has a major and a minor version. A program refuses a newer major
// version. It reads a newer minor version, passing over buckets, records and
// fields of JSON that it does not know, and never writes to it, so that these are
// not lost. What it writes to is of its own version from then on. Bucket, key and
// form of the head are those of every version.
//
//	1.1  the record "wanted"
//	1.2  the speed cap of a fragile disc
//	1.3  where the disc's sessions begin
//	1.4  the record "closing"
//	1.5  what had opened the round of a merged pass where it was read
//	1.6  the record "watched"
//	1.7  how the disc in the hand lies to its angles
//	1.8  who began a pass
//	1.9  what of the wanted files lies beside the image
//	1.10 the request in whose silence a pass ended
//
// # What a kill or a loss of power leaves
//
// bbolt writes a commit's pages where nothing is in use, syncs, writes one of two
// starting pages, and syncs again: the file holds the commit or the one before.
// A starting page of which a part only was written counts as damage, since disks
// write the 64 bytes that matter at once.
package mapfile
