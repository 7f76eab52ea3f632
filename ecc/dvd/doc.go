// Package dvd is the code in which a DVD holds its sectors: data frames, the ECC
// block of 16 of them, and the order in which its rows lie on the disc. It makes
// blocks, verifies them, and corrects what damage has left of them, down to a
// verdict for each sector. It knows no drive and no address but the one that a
// frame carries.
//
// This is also the specification of what the package does, after ECMA-267. The
// standard's text was not at hand when it was written: what follows is as
// secondary sources tell it, named in brackets, or from memory, which is said.
// Nobody publishes a raw frame of a real disc, so that the tests show that the
// parts agree with each other and with two programs written apart, not that they
// agree with the standard.
//
// # Data frame
//
// 2064 bytes, thought of as 12 rows of 172 [amigodvdripper.com/dvdspec/data_sector.html;
// US patent 5,917,914]:
//
//	0    4     6         12                                          172
//	+----+-----+---------+---------------------------------------------+
//	| ID | IED | CPR_MAI | main data, first 160 of 2048 bytes          |
//	+----+-----+---------+---------------------------------------------+
//	| main data, 10 rows of 172                                        |
//	+-----------------------------------------------------------+------+
//	| main data, last 168                                       | EDC  |
//	+-----------------------------------------------------------+------+
//	0                                                          168   172
//
// with
//
//   - ID, 4 bytes, big-endian: what kind of sector, and its number; see [ID].
//   - IED, 2 bytes: the check symbols of ID in a Reed–Solomon code (6, 4), first
//     root α⁰ (from memory of clause 16.2).
//   - CPR_MAI, 6 bytes: copyright management; here just bytes.
//   - Main data, 2048 bytes: the sector's user data, scrambled on the disc.
//   - EDC, 4 bytes, big-endian: the remainder of the 2060 bytes before it, not
//     scrambled, by x³² + x³¹ + x⁴ + 1, highest power first [US patent 7,134,043];
//     see [EDC].
//
// # Scrambling
//
// The main data is added to the output of a 15-bit shift register, x¹⁵ + x⁴ + 1
// [US patent 5,917,914; the polynomial, the byte order, the presets and which bits
// choose among them from memory of clause 17]:
//
//	 +--------------------------(+)<--------------------+
//	 |                           ^                      |
//	 v                           |                      |
//	r0 -> r1 -> … -> r7 -> … -> r10 -> … -> r13 -> r14 -+
//
// r7 … r0 is a byte of the output, r7 its highest bit. The first is the preset's
// own; before each further one the register makes 8 steps.
//
// Bits 7 to 4 of the ID choose one of 16 presets, so that the 16 sectors of a
// block share one. All presets lie on one sequence of 32,767 bits: each stands
// where the register is after the 2048 bytes of the one before.
//
// # ECC block
//
// Sixteen scrambled frames, their physical sector numbers beginning at a
// multiple of 16, are stacked to 192 rows of 172 bytes. Each column gets 16 check
// symbols of the outer code PO, a Reed–Solomon code (208, 192), each row 10 of the
// inner code PI, (182, 172) [docsbay.net, DVD Quality, Strategies and Measurements
// rev 0.2]. Both are over the field of package gf256, first root α⁰ (from memory
// of clause 18). Which is done first makes no difference:
//
//	    0                     172  182
//	  0 +------------------------+----+
//	    | frame 0, 12 rows       |    |
//	 12 +------------------------+    |
//	    | frame 1                | PI |
//	    :                        :    :
//	    | frame 15               |    |
//	192 +------------------------+    |
//	    | PO, 16 rows            |    |
//	208 +------------------------+----+
//
// # Recording frames
//
// On the disc one row of PO follows after each frame's 12 rows, 13 rows of 182
// bytes together [tecchannel.de, Grundlagen DVD-ROM]. Row i of the block lies at
// recorded row i + ⌊i/12⌋, PO's row 192 + j at 13j + 12:
//
//	recorded row  0 … 11   12    13 … 24   25        195 … 206  207
//	             +--------+-----+--------+-----+ … +----------+-----+
//	             | frame 0| PO 0| frame 1| PO 1|   | frame 15 |PO 15|
//	             +--------+-----+--------+-----+ … +----------+-----+
//
// All blocks in this package are in that order, as the disc has them: 208 rows
// of 182 bytes, [BlockSize] in all. Row r is block[182·r : 182·(r+1)]. What a disc
// adds below that (modulation, SYNC codes) is no part of the package.
//
// # Correcting
//
// [Codec.Decode] lets PI correct up to 5 wrong bytes in each row. The rows in which
// it can't are erasures for PO, which so restores up to 16 of them in each column;
// where more have failed, PO can only look for up to 8 wrong bytes by itself. Then
// the rows again, until the columns change nothing. A row that was wrecked is taken
// for another code word by PI about once in 700; such a row, with 5 bytes corrected
// and no EDC to vouch for it, becomes an erasure too if the columns don't come out.
// In the end each sector's own EDC decides: an uncorrectable block may still hold
// good sectors, which is what 12 rows without failure make.
//
// # Price and power
//
// PI and PO take 4,832 of a block's 37,856 recorded bytes, 12.76 %. With IDs, EDCs
// and SYNC codes a sector takes the room of 2,418 bytes, of which 370 are not the
// user's: 15.3 %. (The trade speaks of "10 to 20 %" of a disc being correction;
// common practice, with no source.) How long a damage may be for that price is
// told beside [LongestBurst].
package dvd
