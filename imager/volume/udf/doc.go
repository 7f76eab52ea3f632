// Package udf reads the UDF file system of an image with holes, of revisions 1.02
// to 2.60: plain, with a virtual partition (VAT), sparable, and with a metadata
// partition and its mirror.
//
// This is also the specification of what it reads, after ECMA-167 and OSTA UDF.
// Layouts are as the Linux kernel has them (fs/udf/ecma_167.h, osta_udf.h) except
// where from memory is said; clauses are from memory. All numbers are
// little-endian, offsets count from 0, a block is a sector of 2048 bytes.
//
// # The way to a file
//
//	anchor (256, N-256, N …)
//	  │  two extents
//	  ├─> main    volume descriptor sequence ─┐  PVD: name     LVD: partition maps
//	  └─> reserve volume descriptor sequence ─┘  PD: start          │
//	                                                                v
//	      partition maps:  plain │ virtual (VAT) │ sparable │ metadata
//	                                                                │
//	      FSD ──> root's file entry ──> identifiers ──> file entry ──> extents
//
// # Tag, 16 bytes, before every descriptor (3/7.2)
//
//	0 id   2 version   4 checksum   6 serial   8 CRC   10 CRC's length   12 location
//
// The checksum is the sum of the other 15 bytes modulo 256; the CRC is of the
// bytes behind the tag, x¹⁶ + x¹² + x⁵ + 1, highest bit first, from 0. Location is
// the sector, or in a partition the block of it. A descriptor whose tag does not
// hold in all of these is not there, and what stands in for it is looked for.
//
// # Volume descriptors
//
//	anchor  16 main extent, 24 reserve extent: length in bytes, sector
//	PVD     16 sequence number, 24 name (dstring, 32 bytes), 376 time
//	PD      16 sequence number, 22 number, 188 first sector, 192 sectors
//	LVD     16 sequence number, 84 name, 212 block size, 240 revision of the domain,
//	        248 FSD (long_ad), 264 length of the maps, 268 their number, 440 maps
//	VDP     20 where the sequence goes on: length, sector
//
// Of several of one kind the one with the highest sequence number holds (3/8.4.2).
//
// # Partition maps (3/10.7, UDF 2.2.8-2.2.10)
//
//	type 1, 6 bytes    4 partition's number
//	type 2, 64 bytes   5 identifier, 38 partition's number
//	    *UDF Virtual Partition     blocks are looked up in the VAT
//	    *UDF Sparable Partition    40 packet's length, 42 number of tables, 44 table's size, 48 tables
//	    *UDF Metadata Partition    40 main file, 44 mirror file: blocks of their entries; 58 flags
//
// The VAT is a file whose entry is in the last block that was written. In 1.50 it
// is block numbers, then 36 bytes; from 2.00 on a head, its length in the first 16
// bits, then block numbers. A sparing table has its number of entries at 48, its
// sequence number at 52, from 56 on pairs of a packet's first block and the sector
// that it was moved to [memory; the layout of struct sparingTable in the kernel].
// A metadata partition's blocks are those of the metadata file, or of its mirror.
//
// # FSD (4/14.1), in the partition
//
//	400 root's file entry (long_ad)
//
// # File entry (4/14.9), and in brackets extended file entry (4/14.17)
//
//	 16 ICB tag: 20 strategy, 27 kind of file, 34 flags: bits 0-2 kind of descriptors
//	 48 links, 56 size in bytes, 84 [92] modified, 168 [208] length of attributes,
//	172 [212] length of descriptors, 176 [216] attributes, then descriptors
//
// Descriptors are short (8 bytes: length, block), long (16: length, block,
// partition, 6 more), or extended (20 bytes [memory; the kernel's struct has 18]);
// or the file's bytes themselves. The upper two bits of a length: 0 recorded, 1 and
// 2 read as zeros, 3 the descriptors go on in that extent, behind an AED (tag, 16
// previous, 20 length of descriptors, 24 descriptors).
//
// Strategy 4096 chains entries by indirect ones; the last holds.
//
// # File identifier (4/14.4)
//
//	16 version   18 flags: 1 hidden, 2 directory, 4 deleted, 8 parent
//	19 name's length   20 file entry (long_ad)   36 length of implementation use
//	38 implementation use, name, padding to 4 bytes
//
// Identifiers follow each other through the directory's sectors without regard to
// their borders. Behind a missing sector the next is found by its tag.
//
// # Names
//
// The first byte is 8 (one byte a character, Latin-1) or 16 (two, big-endian; as
// UTF-16, which is what writers do). Named streams are not read.
package udf
