// Package press writes what is recorded on an invented disc: a DVD-Video with films, a
// menu and folders of data, which players play and every system reads. The simulated
// drives need such a disc, and so do the tests of what looks for films. It is
// deterministic: the same Disc gives the same bytes everywhere.
//
//	sector   0   16    18    32    48    64     96            256  257          N−1
//	         │   │ISO  │UDF  │main │re-  │integ-│ISO paths,  │an-  │partition …  │anchor
//	         │   │9660 │seen │VDS  │serve│rity  │directories │chor │             │
//
//	partition: file set, entries and directories of UDF, and from the next ECC block on
//
//	VIDEO_TS  ┌────────┬──────────┬───┐┌────────┬─────────────┬───┐┌──
//	          │VIDEO_TS│ VIDEO_TS │BUP││VTS_01_0│ VTS_01_1.VOB│BUP││VTS_02_0 …   folders
//	          │ .IFO   │ .VOB menu│   ││ .IFO   │ film 1      │   ││
//	          └────────┴──────────┴───┘└────────┴─────────────┴───┘└──
//
// Both file systems tell of the same files under the same names: ISO 9660 (ECMA-119, at
// level 2) and UDF 1.02 (ECMA-167 with OSTA's rules of that revision), with short
// allocation descriptors. A copy of what tells about a title set (BUP) begins an ECC
// block of its own, so that one lost block does not take both.
//
// # A film
//
// is a program stream (ISO/IEC 13818-1 2.5) of packs of a sector each, in units (VOBU) of
// 0.48 s that begin with a NAV pack, which tells the unit's own address and times:
//
//	┌───┬─────┬─────┬─────┬── … ─┐┌───┬─────┬──
//	│NAV│video│video│video│      ││NAV│video│      PTS of the first picture: 0.52 s
//	└───┴─────┴─────┴─────┴── … ─┘└───┴─────┴──    behind the unit's first SCR
//	     └ sequence, GOP, I picture, then 11 P pictures in which nothing moves
//
// The pictures (ISO/IEC 13818-2, 720 × 576, 25 a second) are mosaics of one shade for
// each block of 8 × 8: the DC coefficient alone. The film's number and its clock stand in
// them, so a gap can be seen; grain makes each unit one of its own. There is no sound.
// A chapter, which is a program of one cell, begins each minute.
//
// The layouts of the IFO tables and the NAV pack are those that the headers of libdvdread
// tell (ifo_types.h, nav_types.h); what only comes from memory says so.
package press
