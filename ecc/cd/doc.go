// Package cd is the sector of a CD-ROM as a drive delivers it raw: 2352 bytes,
// with its sync, header, error-detection code and parity. It makes, checks and
// repairs such sectors. What lies below (frames, the two Reed–Solomon codes of
// the player) stays in the drive, which tells of it by C2 pointers only.
//
// # Layout
//
//	           0    12    16   24             2064 2068  2076    2248    2352
//	mode 1     │sync│head │   user 2048        │EDC│ zero │ P 172 │ Q 104 │
//	mode 2
//	  form 1   │sync│head │sub │ user 2048      │EDC      │ P 172 │ Q 104 │
//	                                         2072 ┘ to 2076
//	  form 2   │sync│head │sub │ user 2324                           │EDC │
//	                                                            2348 ┘
//	  formless │sync│head │    user 2336                                  │
//
//	sync        00, ten times FF, 00
//	header      minute, second, frame in BCD; mode. Recordable discs may carry
//	            block indicators in the mode's upper three bits [memory].
//	            LBA = (60·minute + second)·75 + frame − 150
//	subheader   file, channel, submode, coding; the same four bytes again.
//	            Submode bit 5 (20h) is set on form 2.
//
// # EDC
//
// The remainder of bits, lowest bit of each byte first, by
//
//	(x¹⁶ + x¹⁵ + x² + 1)(x¹⁶ + x² + x + 1)
//
// started at 0 and stored lowest byte first. It covers in mode 1 bytes 0–2063,
// in form 1 bytes 16–2071, in form 2 bytes 16–2347. On form 2 it may be zero,
// which means that none was made [memory].
//
// # Parity
//
// Bytes 12 to 2351 are 1170 words of two bytes. Low and high bytes are coded
// apart, by the same rule; so in the drawing each cell is two code symbols. The
// first 1118 words stand as 26 rows of 43; on mode 2 the header's four bytes
// count as zero.
//
//	        column 0    1    2         42
//	row  0        0    1    2  …      42   ┐
//	row  1       43   44   45  …      85   │ header, user data, EDC, zero
//	 …            │     ╲                  │
//	row 23      989   …  ╲          1031   ┘
//	row 24     1032   …    ╲        1074   ┐ P: each column of 26 is a code word
//	row 25     1075   …             1117   ┘
//
//	Q: each of the 26 diagonals is a code word of 45: from (row n, column 0)
//	down to the right, from the last row on to the first,
//	word (44·m + 43·n) mod 1118 for m = 0…42,
//	then its two check words 1118+n and 1144+n.
//
// Both codes are Reed–Solomon over the field of package gf256, generator
// (x + 1)(x + α): P (26, 24), Q (45, 43). A word c₀ … c₍N₋₁₎ is a code word when
//
//	S0 = Σ cᵢ = 0   and   S1 = Σ α^(N−1−i)·cᵢ = 0.
//
// Each corrects one error, or two erasures; every symbol but Q's own checks lies
// in one word of each, so that they help each other in turn.
//
// # Scrambler
//
// On the disc bytes 12 to 2351 are added to the output of a register of 15 bits,
// x¹⁵ + x + 1, set to 1 after the sync, lowest bit of each byte first. Drives take
// it off again; what they deliver is not scrambled unless asked for.
//
// # What a check proves
//
// The EDC proves the user data (and on mode 1 the address) with 32 bits. On mode
// 2 nothing covers the header: compare it with what was asked for. A sector that
// is zero behind its header is a code word of form 1 by accident of the code,
// which is what a drive may hand out for a sector that it could not read: it
// proves nothing here. Formless sectors carry no code at all.
//
// # Sources
//
// ECMA-130, which was not at hand: the layouts are those of working programs
// (Linux's cdrom.h, libburn's ecma130ab.c, cdrkit's libedc), the rules were
// checked on public sectors of modes 1 and 2 (libcdio's test data); [memory]
// marks what is neither.
package cd
