// Package scsi is the language of optical drives: command blocks out, responses
// and sense data in, after SPC and MMC. It is bytes only; it opens nothing, sends
// nothing and knows no disc. Everything goes both ways, so that a simulated drive
// can be built of the same parts as the host.
//
// This is also the specification of what the package does. The standards' texts
// were not at hand when it was written. Layouts were read in programs and headers
// that implement them: the Linux kernel (drivers/scsi, drivers/cdrom,
// linux/cdrom.h), sg3_utils 1.46, libburn 1.5.4 (which cites MMC-5), QEMU,
// mingw-w64's ntddmmc.h. What was only remembered is marked [memory] beside it.
// The tests hold opcodes, structures and texts against linux/cdrom.h, a C compiler
// and sg3_utils where these are installed.
//
// # A command
//
// A command is a block of 6, 10 or 12 bytes (the upper three bits of the operation
// code say which), data that goes one way or none, and a status. With CHECK
// CONDITION comes sense data. All numbers are big-endian.
//
//	host                                        drive
//	  │   command block                           │
//	  │   A8 08 00 00 12 30 00 00 00 10 00 00     │
//	  │   │  │  └──LBA────┘ └──blocks─┘ │  └control
//	  │   │  └FUA                       └streaming│
//	  │   └READ(12)                               │
//	  ├──────────────────────────────────────────►│
//	  │   data, at most Len bytes                 │
//	  │◄──────────────────────────────────────────┤
//	  │   status 02h, CHECK CONDITION             │
//	  │   sense data                              │
//	  │   F0 00 03 00 00 12 34 0A 00 … 11 05 …    │
//	  │   │     │  └information┘       ASC ASCQ   │
//	  │   │     └key: medium error                │
//	  │   └70h, and VALID: block 1234h failed     │
//	  │◄──────────────────────────────────────────┤
//
// A type for each command has its fields by name; its method Command makes the
// [Command], [Parse] reads a block back:
//
//	Read12{LBA: 0x1230, Blocks: 16, FUA: true} ──Command──► Command ──CDB──► bytes
//	             ▲                                                             │
//	             └─────────────────────────────Parse──────────────────────────┘
//
// Whatever parses is made again byte for byte; anything else in a block, a
// reserved bit or the control byte, is a [FieldError], with the sense data that a
// drive answers.
//
// # Nothing writes
//
// No operation code of this package writes, formats, blanks, closes or finalises,
// and [Command] can't be made by hand. MODE SELECT never saves (SP is 0), so that
// a drive is as it was after a reset. A test reads the package's source and lists
// the codes.
//
// Settings still need care on the host's side. Linux lets MODE SELECT, SET CD
// SPEED, SET STREAMING and PREVENT ALLOW through a node only where it was opened
// for writing (scsi_cmd_allowed), and MECHANISM STATUS only for CAP_SYS_RAWIO. But
// opening /dev/sr* for writing asks the cdrom driver to make the disc ready for
// it: on a rewritable one that may start or resume formatting in the background,
// which touches the disc (drivers/cdrom/cdrom.c, cdrom_open_write [memory]). So
// settings go through the drive's sg node, which knows of no disc, or through
// /dev/sr* opened with O_NONBLOCK, which skips all that.
//
// # A response
//
// A response says its own length, first of all, and a drive may send less (the
// allocation length cuts it), claim more than it has, or less than it must. The
// parsers read what is both there and claimed: [ErrShort] and nothing where too
// little came, [ErrTruncated] together with what came where more was promised. No
// length in a response makes a parser take more memory than the response itself
// is worth. Reserved bits are not read. Each type's Append makes the response
// again; a drive then cuts it at the command's allocation length.
//
// # Sense data
//
// [ParseSense] reads both formats into one [Sense], where they are drawn. Its
// [Meaning] is a class, a text and an advice. What each class says of the disc:
//
//	class         the data asked for           says of the disc
//	NoError       is good                      –
//	Recovered     is good                      the place is weak
//	Medium        failed at Sense.LBA          bad, without further proof
//	Track         failed                       bad; dear, a stall may follow
//	Unwritten     is not recorded              not recorded there
//	Unrecognised  can't be had now             nothing of a block
//	NotReady      can't be had now             nothing
//	NoMedium      can't be had                 it is not there
//	Changed       was not read                 it may be another
//	Reset         was not read                 it may be another; settings are lost
//	Notice        was not read                 nothing
//	Hardware      failed                       doubtful: the disc or the drive
//	Refused       can't be had that way        nothing
//	Protected     is kept                      nothing
//	Aborted       was broken off               nothing; doubtful if it stays so
//	Deferred      was not read                 nothing of this place
//
// Blocks before a valid Sense.LBA that came are good. Blocks at and beyond it are
// not, nor is anything read under settings of which [RecoveryFlags.InDoubt] is
// true, nor what was streamed.
package scsi
