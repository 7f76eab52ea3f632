// Package video tells which play time missing bytes of a film cost, and where it can be
// cut, without decoding a picture. It knows no disc and no case: it reads a [Source], a
// stream of bytes of which some are missing.
//
// # Program streams
//
// A film is an MPEG program stream (ISO/IEC 13818-1, 2.5; 11172-1): packs with a clock
// (SCR), in them packets of video and sound with the times at which they are shown
// (PTS), in the video sequence headers, groups of pictures and pictures (13818-2):
//
//	pack ┌BA│SCR│rate┬E0│PTS│ B3 sequence │ B8 group │ 00 picture I │ 00 P │ …┐
//	     └───────────┴──────────────────────────────────────────────────────────┘
//	     group n-1          │ group n                          │ group n+1
//	     … I B B P B B P    │ I  B  B  P  B  B  P  B  B        │ I …
//	     shown as           B  B  I  B  B  P …
//
// A missing byte takes at most the pictures of its group with it, and those of the next
// that are shown before its first coded picture (an open group). So a gap lasts from when
// the first picture of the last group that begins before the hole is shown, until the
// first coded picture of the first group is shown that begins behind it. That is never
// too little, but for up to two pictures that a decoder spoils before it notices; it is
// half a second too much at times, where only sound was hit, or the end of a group. Sound
// lies 0.3 to 0.5 s earlier in a stream than the pictures it belongs to, and is not told of.
//
// A time stamp counts 90 kHz; it belongs to the first picture that begins in its packet,
// and the others' times follow from their temporal references.
//
// Where the clock breaks (goes back, or on by more than the bytes can take) another take
// begins: [Broken]. Bytes that nobody has, or that are no stream, are gone over.
//
// # DVD-Video
//
// In VTS_nn_1.VOB and on each half second of film begins with a navigation pack, which
// tells its own sector, how long its unit is and when its pictures are shown: [NAV]. The
// IFO files tell which cells of a set's VOBS a title is made of, and where its units are:
//
//	VIDEO_TS.IFO              VTS_nn_0.IFO
//	┌───────────────┐        ┌──────────────────────────────┐
//	│ TT_SRPT       │        │ VTS_PTT_SRPT  title → chains │
//	│ title → set,  ├───────>│ VTS_PGCIT     chain → cells  │──> sectors of the VOBS
//	│ title of it   │        │ VTS_VOBU_ADMAP  units        │──> their navigation packs
//	└───────────────┘        └──────────────────────────────┘
//
// The backup (BUP) is the same byte for byte and stands in ([ReadInfo]). Where no IFO
// file is there, a set's VOBs are a plain program stream with a take for each VOB.
// Titles are counted with the first of several angles; what is missing of another angle,
// where they are interleaved, counts as if it were of the first. Still times and what the
// menus' commands do are not looked at. Time maps (VTS_TMAPT) are not read: navigation
// packs beside a hole tell more.
//
// Where the layouts come from: ISO/IEC 13818-1 and -2 and 11172-1 for streams; of
// DVD-Video, whose book is not public, a sheet of facts taken from code that reads it and
// from secondary sources, and memory where that is said beside the constants. The tests
// hold all of it against what dvdauthor wrote and what ffprobe and ffmpeg see.
//
// DVD-VR, which camcorders and recorders write, is known as far as recorder.go says.
//
// # Limits
//
// Nothing is taken on trust: every length, pointer and count of a stream is held against
// what there is. Of an IFO file 8 MiB are read, around the gaps of a film 512 MiB; beyond
// that times are estimated, and say so.
package video
