// Package tree has the words that the readers of file systems share: the image
// with holes that they read from, the trees that they deliver, and what they
// found amiss. It knows no file system.
//
//	Image ──> Scan ──> iso9660, udf ──> System ──> volume
//	            │                         └ Node: name, size, time, Extents
//	            └ notes where structures lie, which are missing, what is wrong
//
// An [Image] is asked for single sectors, and says of each whether it has it. A
// [Scan] stands between it and the readers: it remembers the sectors that were
// read last, notes each as a structure of some [Class], and keeps the limits in
// time and memory that hold for any image, however hostile.
//
// A [Node]'s content is its [Extent]s, by bytes of the file and bytes of the
// image, so that data inside of a structure, blocks below 2048 bytes and parts
// that were never recorded need no words of their own.
package tree
