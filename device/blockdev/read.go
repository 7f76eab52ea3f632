package blockdev

import (
	"errors"
	"fmt"
	"syscall"

	"golang.org/x/sys/unix"

	"turnstone/device"
	"turnstone/device/child"
	"turnstone/device/devnode"
	"turnstone/device/sector"
)

// errEnd stands for a read of 0 bytes in front of the end: the kernel's answer
// once a drive was unplugged.
var errEnd = errors.New("no bytes came, in front of the end")

// Part implements child.Backend: the kernel makes as many commands of a read as it likes.
func (d *disk) Part(r sector.Range) sector.Range { return r }

// Read implements child.Backend.
func (d *disk) Read(r sector.Range, buf []byte) child.Outcome {
	// What is asked for, in bytes, and what has to be for it.
	from, to := r.First.Offset(), r.End.Offset()
	lead := from % d.unit
	whole := (to - from + lead + d.unit - 1) / d.unit * d.unit
	target := buf
	if whole != to-from {
		if err := d.makeSpare(); err != nil {
			return child.Outcome{Err: &device.ReadError{Class: device.Refused, At: -1, Text: devnode.ErrnoText(err), Err: err}}
		}
		target = d.spare[:whole]
	}
	n, err := d.pread(target, from-lead, min(whole, d.size-(from-lead)))
	if d.cache {
		// The cache is of use to nobody: the sectors are not read again.
		_ = unix.Fadvise(d.fd, from, to-from, unix.FADV_DONTNEED)
	}
	good := min(max(0, n-lead), to-from) / sector.Size
	if whole != to-from {
		copy(buf, target[lead:lead+good*sector.Size])
	}
	if good == r.Count() {
		return child.Outcome{Good: good}
	}
	e := &device.ReadError{At: -1}
	e.Class, e.Text = d.verdict(err)
	if errno, ok := errors.AsType[syscall.Errno](err); ok {
		e.Err = errno
	}
	// Of several sectors the kernel does not say which; one needs no telling.
	if failed := r.First + sector.LBA(good); failed == r.End-1 && d.unit == sector.Size &&
		(e.Class == device.Medium || e.Class == device.Doubtful) {
		e.At = failed
	}
	return child.Outcome{Good: good, Err: e}
}

// makeSpare maps the memory into which widened requests are read.
func (d *disk) makeSpare() (err error) {
	if d.spare == nil {
		d.spare, err = unix.Mmap(-1, 0, maxSectors*sector.Size+2*maxUnit, unix.PROT_READ|unix.PROT_WRITE,
			unix.MAP_PRIVATE|unix.MAP_ANONYMOUS)
	}
	return err
}

// pread reads want bytes or more into b, which is whole units long, as at is. It
// returns how many bytes came in front of the error. The kernel may give less
// than it is asked for where something failed behind it: the rest is asked for
// again to learn what.
func (d *disk) pread(b []byte, at, want int64) (int64, error) {
	var n int64
	for n < want {
		got, err := unix.Pread(d.fd, b[n:], at+n)
		switch {
		case err == unix.EINTR:
			continue
		case err != nil:
			return n, err
		case int64(got) < d.unit && n+int64(got) < want:
			// Less than one unit: asking again would not get further.
			return n, errEnd
		}
		n += int64(got)
		if n < want {
			n -= n % d.unit
		}
	}
	return n, nil
}

// classes says what an errno tells of a failed read (block/blk-core.c has which
// of them stands for which failure; file systems add theirs). What is not here is
// Doubtful: EIO, ETIMEDOUT, EREMOTEIO, EILSEQ, ENOLINK and whatever else.
var classes = map[syscall.Errno]device.Class{
	unix.ENODATA: device.Medium, // "critical medium error"

	unix.ENODEV:    device.Gone,
	unix.ENXIO:     device.Gone,
	unix.ENOMEDIUM: device.Gone,
	unix.ESHUTDOWN: device.Gone,
	unix.ENOTCONN:  device.Gone, // the server of a FUSE file system has ended
	unix.ESTALE:    device.Gone, // the file on a file server

	unix.EMEDIUMTYPE: device.Changed,

	unix.EINVAL: device.Refused,
	unix.EFAULT: device.Refused,
	unix.EBADF:  device.Refused,
	unix.ENOMEM: device.Refused,
	unix.EACCES: device.Refused,
	unix.EPERM:  device.Refused,
}

func classOf(err error) device.Class {
	errno, ok := errors.AsType[syscall.Errno](err)
	if !ok {
		return device.Gone // errEnd
	}
	if c, ok := classes[errno]; ok {
		return c
	}
	return device.Doubtful
}

// verdict says what a failed read tells, after a look at whether drive and disc
// are still there.
func (d *disk) verdict(err error) (device.Class, string) {
	class, text := classOf(err), devnode.ErrnoText(err)
	switch {
	case !d.block:
		if st := (unix.Stat_t{}); unix.Fstat(d.fd, &st) == nil && st.Size != d.size {
			return device.Changed, fmt.Sprintf("the file had %d bytes and has %d now (%s)", d.size, st.Size, text)
		}
		return class, text
	case err == errEnd && d.cut():
		return device.Doubtful, "the kernel has cut the end off the device after a failure there"
	case class == device.Gone || class == device.Refused:
		return class, text
	}
	if state := d.sysfs.Gone(d.stateful); state != "" {
		return device.Gone, fmt.Sprintf("the kernel calls the drive %s (%s)", state, text)
	}
	if class == device.Doubtful {
		// Another disc, and a drive that has gone, show themselves by EIO as a bad
		// sector does. Opening the node makes the kernel look.
		if gone := d.look(); gone != nil {
			return device.Gone, fmt.Sprintf("the drive can't be opened any more, %s (%s)", devnode.ErrnoText(gone), text)
		}
	}
	if changed := d.changed(); changed != "" {
		return device.Changed, fmt.Sprintf("%s (%s)", changed, text)
	}
	return class, text
}

// look opens the node once more, and tells why it is not the drive any more; nil
// where it is, or can't be told.
func (d *disk) look() error {
	fd, err := devnode.Open(d.info.Node, openFlags)
	if err != nil {
		if err == unix.ENOENT || classOf(err) == device.Gone {
			return err
		}
		return nil
	}
	defer unix.Close(fd)
	if st := (unix.Stat_t{}); unix.Fstat(fd, &st) == nil && st.Rdev != d.dev {
		return unix.ENODEV // another drive has its name now
	}
	return nil
}

// tail is how many bytes at the end the kernel's sr driver may cut off a device
// when one of them fails: 75 sectors (drivers/scsi/sr.c [memory]). That is no other
// disc.
const tail = 75 * sector.Size

// cut tells whether the kernel has cut the end off the device.
func (d *disk) cut() bool {
	if !d.block {
		return false
	}
	size, err := devnode.Size(d.fd)
	return err == nil && size > 0 && size < d.size && size >= d.size-tail
}

// changed tells by what another disc lies in the drive; "" where it does not show.
func (d *disk) changed() string {
	if seq, err := devnode.DiskSequence(d.fd); err == nil && seq != d.seq {
		return "another disc was put in"
	}
	if size, err := devnode.Size(d.fd); err == nil && size != d.size && !d.cut() {
		return fmt.Sprintf("the disc had %d sectors and has %d now", d.size/sector.Size, size/sector.Size)
	}
	return ""
}
