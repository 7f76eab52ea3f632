// Package volume reads the file systems in an image with holes: which files there
// are, where each lies, how much of each there is, and which sectors would tell
// more.
//
// [Open] reads whatever file systems the disc has, by packages iso9660 and udf
// below this one, and joins their trees into one:
//
//	                 ┌─ UDF ──────────┐
//	image ── Scan ──>├─ ISO 9660, RR ─┤──> merge ──> states ──> Volume
//	                 ├─ Joliet ───────┤
//	                 └─ earlier ones ─┘
//
// # What stands in for what
//
// Within one file system its own doubles do (see the packages): a further anchor,
// the reserve sequence, the second sparing table, the metadata mirror, the other
// path table, what a directory says of itself. Beyond that:
//
//   - A directory or file of which a tree has lost its entry is taken from another
//     tree that has it, in the order UDF, Rock Ridge, Joliet, ISO 9660. UDF comes
//     first since the ISO trees of some writers give a file of more than 4 GiB its
//     size modulo 2^32.
//   - Sessions are read from the newest to the oldest; the older ones serve only
//     where the newest has lost something, and their files are then Unknown: they may
//     have been changed since. On media that are written over the drive tells of one
//     session: there the root directories of earlier ones are looked for, where the
//     newest's is lost.
//
// That two entries of different trees are one file is told by where it begins, in
// second place by its name; that two directories are one, by the files in them.
//
// # No lie
//
// A file is whole only if its bytes are all in the image, and nothing that is
// missing could say otherwise: not behind a hole in an ISO directory, where a record
// may be the last part of a longer file; not with a sparing table or a newest VAT
// missing. Such files are Unknown with a reason, all their known bytes to hand. An
// entry of another tree with the same extents takes the first doubt away.
package volume
