// Package optical reads discs by speaking to the drive itself, in the commands of SPC
// and MMC, through Linux's SG_IO.
//
// A block device hides what matters on a scratched disc: which sector failed and why,
// how long the drive may try, how fast it spins, what is recorded on a disc that was
// never finalised, and whether the drive is alive.
//
//	program                         child process                     kernel
//	───────                         ─────────────                     ──────
//	Drive ── Ask, Answer ─────────▶ opened ── unit ── Transport ────▶ /dev/sr0  reading
//	   ├──── Set, Restore, Eject ─▶    │        │        └──────────▶ /dev/sg0  settings
//	   │                               │        └─ Host ────────────▶ sysfs, disk sequence
//	   │                               └─ facts, recorded, settings, settle
//	   └──── Revive ──────────────▶ task: a child of its own for each step
//
// Whatever speaks to the drive runs in a child process (package child), since a drive
// that hangs takes whoever asked it along. [Drive] is what the program holds; [Attach]
// opens a drive at the end of any [Transport].
//
// # Opening
//
// INQUIRY says who the drive is; TEST UNIT READY waits until the disc has spun up; GET
// CONFIGURATION, READ CAPACITY, READ DISC INFORMATION, READ TRACK INFORMATION, READ TOC
// and READ DISC STRUCTURE say what disc it is and what of it is recorded; mode page 01h
// says what the drive can be set to. No sector is read. All but INQUIRY, TEST UNIT
// READY and READ CAPACITY may be missing, as virtual drives show; what is missing is
// not known then. A response that makes no sense counts as missing.
//
// How far the disc goes is the drive's capacity where that makes sense; what its tracks
// say makes it more, or stands for it. On a closed disc whose capacity reaches far
// beyond its tracks a third word decides: a DVD's physical format, a CD's lead-out.
// Recorded is what the tracks say: to the last recorded address, else to the next
// writable one, else to the track's end; of a CD only what is data. Where they say
// nothing all of it counts as recorded.
//
// A drive that can't recognise a disc is refused with its own words, and with advice:
// the lead-in is the ring just inside 24 mm. With [Options].AssumeSectors it is read
// all the same.
//
// # What is good
//
// READ(10) of whole error-correction blocks, as many as the host takes in one command (of
// the 60 sectors that USB takes 48). Only a drive that finds a READ too long (5/24/00) is
// asked for half, and half again, from then on. A request to a child is several of them,
// 4.5 MiB, for the way to the child and back costs as much as a READ on a slow machine;
// each is judged by itself, and what the first have brought is kept whatever becomes of
// the next (package child). Of a READ's sectors those are good that came
//
//	with status GOOD, or with a recovered error (which makes all of them weak), or
//	before the address that the drive names as failing, when it names one within the
//	READ,
//
// and that show in memory: each sector of it is stamped before, so that one counts
// only where the stamp has gone, whatever drive, bridge and kernel say that came. Data
// at or beyond the failing address is not good, nor is any after an error without an
// address. Before anything is read, the flags TB, RC and DCR of mode page 01h, under
// which wrong bytes may come as good ones, are taken back if they are set. Streaming
// is not used, in a survey neither: a drive that streams gives what it has in time,
// right or wrong, without saying which, so that a sample would tell nothing of the disc.
// What makes a survey quick is a read retry count of 0.
//
// A READ is sent again only when the drive has not performed it: it had something else
// to tell, or the transport broke off (twice at most). A range that failed before is
// read past the drive's cache: with FUA, or where the drive refuses that, after a seek
// elsewhere.
//
// No command is sent twice by a signal: the sg driver, broken off by one, would leave the
// command to the drive and begin anew (devnode.Undisturbed).
//
// The child has nothing to do while a READ is under way, and Go's scheduler is not told of
// it (devnode.Hold): in an emulated machine it takes 1 to 14 % longer through the child then
// than by a loop of nothing but READs. What whole blocks cost there beside READs of all 60
// sectors is about a tenth; nothing, where the drive is what is waited for.
//
// One READ is sent at a time, so that at damage nothing is sent too early. A second one that
// waits in the kernel already would bring nothing: 5 µs lie between two of a request, and
// USB's bulk-only transport carries one command at a time. In an emulated guest the same was
// read 6 to 27 % slower by two threads through the sr node; through the sg node, by two
// threads or by its write and read, 16 to 21 % slower with one processor, and as fast within
// 7 % with two.
//
// # Raw sectors of a CD
//
// READ CD with all of a sector's parts (F8h) and, where the drive says that it has such,
// C2 pointers: 2,352 and 294 bytes. It is sent once for each reading that is wanted; what
// was read raw before, or failed, after a seek elsewhere, for READ CD has no bit to pass
// the cache by. Sectors are stamped as above. A drive that gives nothing raw of a sector
// that it can't correct is told to transfer it and to leave it uncorrected (TB, DCR),
// where its mask lets it be; the next READ takes that back first. Nothing of this is good
// by itself: whoever asked has to prove it.
//
// Tracks of a CD with sectors of form 2 (2,324 bytes) are told in Info.FormTwo, and are
// not of what is written for READ.
//
// # The same disc
//
// No sector of another disc is delivered. The kernel counts discs (BLKGETDISKSEQ, since
// Linux 5.15); its count is compared after each read, before the data goes anywhere.
// Where it has none the drive is asked for events instead. A drive that says that its
// disc may have changed, that it was reset, or that it is not ready, is read on only as
// the table of settle.go says; any other ends the reading as [device.Changed].
//
// Info.Medium is the machine's boot and the kernel's count, thus the same for the same
// disc. It is empty where the kernel may have missed a change: the drive tells no
// events, or told one to us alone.
//
// # Settings
//
// They go through the drive's sg node, or through the sr node opened for writing
// without blocking: see settingsNode for why that is safe. MODE SELECT changes only
// what the drive's mask allows, is read back, and never saves. A speed is a request,
// SET CD SPEED or else SET STREAMING, which a drive may ignore. To read slowly is to ask
// for the lowest that the drive lists (GET PERFORMANCE, beside the speeds of writing), or
// for 2x where it lists none; whether it heeds that shows by what it says of its speed
// before and behind. The drive's own page is kept from the first opening, for Restore.
// After a reset that a child notices it sets them again; after a stall whoever reopens
// the drive does.
//
// # Time
//
// The kernel breaks a command off by resetting the drive, so it is told to wait longer
// than the program does, and than the first step after a stall, which only waits: by
// then the drive has had its chance to answer in peace.
//
//	0        Stall                Stall + waitingTime + 5 s
//	├──────────┼────────────────────────┼──▶
//	 READ       abandoned; waiting …     the kernel breaks it off
package optical
