// Package rawcd puts a sector of a CD together from raw readings of it: what no drive
// gave may be in several bad readings. It is pure: readings in, a sector out, or none.
//
//	reading 1  ──┐ of another address, all zeros, read before: not used
//	reading 2  ──┤ scrambled: taken off
//	   …         ├─▶ vote, byte by byte ──▶ P and Q ──▶ EDC, header ──▶ a sector
//	reading n  ──┘     │                       ▲
//	 with C2           └── bytes in doubt ─────┘ erasures
//
// # The vote
//
// A byte without a C2 pointer counts more than one of a drive that has no pointers, and
// that more than one with a pointer, which may be right all the same. The value with the
// most weight wins. Where it does not lead by enough, the byte is in doubt: an erasure
// for the sector's own code (package cd), which mends what is left.
//
// # What counts as proven
//
// Whatever vote and parity come to is a guess until the error-detection code holds:
//
//	mode 1          EDC over header and data: the header must be that of the sector
//	                asked for
//	mode 2 form 1   EDC over the data. Nothing covers the header: of each reading that has
//	                a say it must have come without doubt, and be that of the sector asked
//	                for; and readings must stand up for it that are right elsewhere: one
//	                with nothing wrong that it does not tell, or two that differ (vouch.go)
//	mode 2 form 2   the same where the sector has an EDC. Where it has none (zero), it
//	                must have come without doubt, twice, or once by a drive whose
//	                pointers say that all is well
//
// A wrong sector passes an EDC once in 2³² times that something wrong is held against
// it. On mode 1 it would also have to have the right header, which the same 32 bits
// cover. On mode 2 a sector that the drive read instead of the one asked for passes once in
// 100,000 times at most, where its header has lost the address, unnoticed, and nothing else
// is wrong; and always where the drive has put the right header in front of it: no code
// tells that. Sound has none of this, and is left alone.
package rawcd
