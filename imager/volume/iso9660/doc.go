// Package iso9660 reads the ISO 9660 file systems of an image with holes: the
// tree of the primary volume descriptor, with Rock Ridge where it has that, and
// the Joliet tree beside it.
//
// This is also the specification of what it reads, after ECMA-119 (the same as
// ISO 9660), the System Use Sharing Protocol and Rock Ridge Interchange Protocol,
// and Joliet. Of these only the layouts were at hand, as the Linux kernel has
// them (include/uapi/linux/iso_fs.h, fs/isofs); clauses are from memory. Offsets
// count from 0.
//
// # Where things are
//
//	sector  0        16    17    18       …                    …
//	       +---------+-----+-----+-----+-----+-------+-------+------+--------+-----
//	       | system  | PVD | SVD | end | path tables:|       | root | other  | files
//	       | area    |     |     |     | L, (L) M, (M)       | dir. | dir.s  |
//	       +---------+-----+-----+-----+-------------+-------+------+--------+-----
//
// In a session that begins at sector s the descriptors begin at s + 16, and are
// those that hold. A number "both ways" is recorded twice, little-endian then
// big-endian (7.2.3, 7.3.3).
//
// # Volume descriptor, one sector (8)
//
//	  0  kind: 0 boot, 1 primary, 2 supplementary, 3 partition, 255 the end
//	  1  "CD001"
//	  6  version: 1, or 2 of a supplementary one that is "enhanced" (level 4)
//	 40  volume's name, 32 bytes
//	 80  size of the volume, blocks, both ways
//	 88  escape sequences of a supplementary one: "%/@", "%/C" or "%/E" is Joliet
//	120  number of volumes, 124 this one's: 16 bits both ways
//	128  size of a block: 16 bits both ways; 2048, or 512 or 1024
//	132  size of the path table, bytes, both ways
//	140  first block of the path table L, 144 of its copy; little-endian
//	148  of the path table M, 152 of its copy; big-endian
//	156  the root's directory record, 34 bytes
//	813  when it was made, 17 bytes
//
// A descriptor with "CDROM" at 9 is High Sierra, which came before: refused.
//
// # Directory record (9.1)
//
//	  0     1     2          10       18     25      26     27    28       32      33
//	+------+----+----------+--------+------+-------+------+-----+--------+-------+------+---+--------+
//	|length| XA | first    | bytes  | when | flags | unit | gap | volume | name's| name |pad| system |
//	|      |    | block    |        | 7 B  |       |      |     | number | length|      |   | use    |
//	+------+----+----------+--------+------+-------+------+-----+--------+-------+------+---+--------+
//	            | both ways         |                           |both w. |
//
// The name is followed by a byte of padding where its length is even. Records do
// not cross a sector; a length of 0 sends the reader to the next one. A directory
// begins with its own record, named 00, and its parent's, named 01: where such a
// sector is found, it tells what it is, how long, and whose (see search.go).
//
// XA blocks at the front of the extent belong to an extended attribute record,
// not to the file. Unit and gap other than 0 mean interleaving: refused in words,
// the file's bytes are then at no known place.
//
// A file of more than 4 GiB has several records in a row, all but the last with
// the flag for more (level 3). Where a sector of a directory is missing, the first
// record behind it may be the last part of such a file, and says nothing of it.
// No file is called whole on such a record alone.
//
// # Path table record (9.4)
//
//	  0             1     2             6                8
//	+---------------+----+-------------+----------------+------+---+
//	| name's length | XA | first block | parent's number| name |pad|
//	+---------------+----+-------------+----------------+------+---+
//
// L is little-endian, M big-endian, otherwise byte for byte alike; so a record is
// taken from whichever copy has its sectors. A directory whose record is missing
// is found here, under its ISO (or Joliet) name, its size in its own record.
//
// # System use (SUSP 5, RRIP 4)
//
//	  0 signature, 2 bytes   2 length   3 version   4 …
//
//	CE  continues elsewhere: block, offset, length, each both ways
//	SP  in the root's own record: BE EF, then bytes to skip in all others
//	ST  no more
//	NM  name: flags (1 goes on, 2 ".", 4 ".."), bytes
//	PX  mode, links, user, group, both ways
//	TF  times: flags (1 made, 2 modified, 4 read, …, 128 long form), 7 or 17 bytes each
//	SL  link: flags, components of flags (1 goes on, 2 ".", 4 "..", 8 "/"), length, bytes
//	CL  a directory that is really at block …; PL in it its true parent; RE it is elsewhere
//	ZF  compressed (zisofs): the bytes are delivered as they are recorded
//	SF  sparse: refused in words
//
// # Names
//
// Names of the primary tree are taken for UTF-8 where they are valid as such,
// else for Latin-1; Joliet's are UTF-16, big-endian (UCS-2 with surrogates, as
// writers do it). A version ";1" and the dot of an empty extension are dropped,
// which is common practice of all readers.
package iso9660
