// Package found tells what lies in sectors that no directory tells of, by their
// content. It reads no image: it is handed sectors in order of address, and tells what
// it saw. All that it finds lies in one piece, as films and photos on optical discs do
// that are written in one go; of what does not, the pieces are found, or nothing.
//
//	sectors ──> Finder ──┬─ navigation packs ──> VOBS: image sector − own address
//	                     ├─ packs ─────────────> takes: cut where the clock breaks
//	                     ├─ IFO files ─────────> sets of DVD-Video, with their VOBS
//	                     └─ well-known starts ─> Measure: files with a certain end
//
// # Certain, or not at all
//
// A VOBS is placed by the addresses in its navigation packs: image sector less own
// address is the same for all of it, and is where it begins, whether that sector is
// there or not. So a missing sector within it is a hole at a known place. What its own
// packs do not reach, packs behind them whose clock runs on, or the IFO file of its set
// tells.
//
// Streams without such addresses are cut where the clock goes back or leaps
// (video.Broken). Over missing sectors a take goes on if its clock does: that is
// likely, and said (Joined).
//
// Of other files only those are told whose format says where they end, and agrees with
// itself from there on backwards: JPEG (a marker that ends it, all before it well
// formed), RIFF such as AVI, MP4 and QuickTime (sizes that chain), PDF (a last line that
// points back to its table). What is cut off, or in pieces, is counted and not told.
//
// Formats: ISO/IEC 13818-1, package video for DVD-Video; ITU-T T.81 B.1; RIFF as
// Microsoft and IBM published it in 1991; ISO/IEC 14496-12, 4.2; ISO 32000-1, 7.5 [all
// from memory]. The tests hold them against files that ffmpeg and package image/jpeg wrote,
// PDF against one that was made by hand.
package found
