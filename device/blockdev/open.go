package blockdev

import (
	"errors"
	"fmt"
	"os"

	"golang.org/x/sys/unix"

	"turnstone/device"
	"turnstone/device/devnode"
	"turnstone/device/sector"
)

// disk is an opened block device or file, in the child.
type disk struct {
	fd    int
	block bool   // not a file
	dev   uint64 // a block device's number
	info  device.Info
	size  int64 // bytes
	unit  int64 // bytes: offsets and lengths of reads are multiples of it
	cache bool  // read through the page cache
	seq   uint64
	sysfs devnode.Dir
	// stateful tells that sysfs had a state of the drive at its opening.
	stateful bool
	spare    []byte // for requests that had to be widened; nil until needed
}

// open opens node, which is absolute.
func open(node string) (*disk, error) {
	var st unix.Stat_t
	// Asked first: opening a pipe would wait for its writer.
	if err := unix.Stat(node, &st); err != nil {
		return nil, devnode.Error(node, &st, err)
	}
	d := &disk{fd: -1, info: device.Info{Node: node}}
	var err error
	switch st.Mode & unix.S_IFMT {
	case unix.S_IFBLK:
		d.block, d.dev = true, st.Rdev
		err = d.openBlock(&st)
	case unix.S_IFREG:
		err = d.openFile(&st)
	default:
		err = &device.OpenError{
			Node: node, What: "it is " + typeOf(st.Mode) + ", neither a block device nor a file",
			Cure: "Name a drive, such as /dev/sr0, or an image file.",
		}
	}
	if err == nil {
		err = d.checkSize()
	}
	if err != nil {
		d.Close()
		return nil, err
	}
	d.info.Sectors = d.size / sector.Size
	return d, nil
}

// typeOf is what is not read, by its mode.
func typeOf(mode uint32) string {
	switch mode & unix.S_IFMT {
	case unix.S_IFDIR:
		return "a folder"
	case unix.S_IFCHR:
		return "a character device"
	case unix.S_IFIFO:
		return "a pipe"
	case unix.S_IFSOCK:
		return "a socket"
	}
	return "of an unknown type"
}

const openFlags = unix.O_RDONLY | unix.O_CLOEXEC

func (d *disk) openBlock(st *unix.Stat_t) error {
	node := d.info.Node
	var err error
	if d.fd, err = devnode.Open(node, openFlags|unix.O_DIRECT); err != nil {
		return devnode.Error(node, st, err)
	}
	d.sysfs = devnode.Numbered(st.Rdev)
	d.stateful = d.sysfs.HasState()
	// See "Exclusive or not".
	exclusive, err := devnode.Open(node, openFlags|unix.O_EXCL)
	if err != nil {
		return devnode.Error(node, st, err)
	}
	unix.Close(exclusive)

	size, err := devnode.Size(d.fd)
	if err != nil {
		return devnode.Error(node, st, err)
	}
	d.size, d.unit = size, sector.Size
	if unit, err := devnode.LogicalSector(d.fd); err == nil && unit > sector.Size {
		if unit > maxUnit {
			return &device.OpenError{Node: node, What: fmt.Sprintf("its sectors of %d bytes are not known to any disc", unit)}
		}
		d.unit = unit
	}
	d.info.Vendor, d.info.Model = d.sysfs.Names()
	d.info.Serial = d.sysfs.Serial()
	if seq, err := devnode.DiskSequence(d.fd); err == nil {
		d.seq = seq
		if boot := devnode.BootID(); boot != "" {
			d.info.Medium = fmt.Sprintf("%s/%d", boot, seq)
		}
	}
	return nil
}

func (d *disk) openFile(st *unix.Stat_t) error {
	node := d.info.Node
	var err error
	d.unit, d.cache = directUnit(node)
	if !d.cache {
		d.fd, err = devnode.Open(node, openFlags|unix.O_DIRECT)
	}
	if d.cache || errors.Is(err, unix.EINVAL) {
		d.unit, d.cache = sector.Size, true
		d.fd, err = devnode.Open(node, openFlags)
	}
	if err == nil {
		err = unix.Fstat(d.fd, st)
	}
	if err != nil {
		return devnode.Error(node, st, err)
	}
	if d.cache {
		// No read-ahead: it would ask for sectors that nobody asked for. Where
		// the advice is not taken, nothing is lost but that.
		_ = unix.Fadvise(d.fd, 0, 0, unix.FADV_RANDOM)
	}
	d.size = st.Size
	d.info.Medium = fmt.Sprintf("%d:%d/%d/%d.%09d/%d.%09d", st.Dev, st.Ino, st.Size,
		st.Mtim.Sec, st.Mtim.Nsec, st.Ctim.Sec, st.Ctim.Nsec)
	return nil
}

// largest is the sectors of the largest request.
func (d *disk) largest() int {
	const cdrom = 11 // SCSI_CDROM_MAJOR, linux/major.h: all optical drives
	if d.block && unix.Major(d.dev) == cdrom {
		return opticalSectors
	}
	return maxSectors
}

// maxUnit bounds the alignment that is taken on: 64 KiB, the largest logical
// sector of block devices.
const maxUnit = 1 << 16

// directUnit is the unit in bytes by which a file can be read with O_DIRECT into
// memory that begins at a page; cache where it has to be read through the cache.
func directUnit(path string) (unit int64, cache bool) {
	var st unix.Statx_t
	err := unix.Statx(unix.AT_FDCWD, path, 0, unix.STATX_DIOALIGN, &st)
	offset := int64(st.Dio_offset_align)
	if err != nil || st.Mask&unix.STATX_DIOALIGN == 0 || offset == 0 || offset > maxUnit || offset&(offset-1) != 0 ||
		int(st.Dio_mem_align) > os.Getpagesize() {
		return sector.Size, true
	}
	return max(offset, sector.Size), false
}

// checkSize refuses what is not whole sectors.
func (d *disk) checkSize() error {
	e := &device.OpenError{Node: d.info.Node}
	switch {
	case d.size == 0 && d.block:
		e.What, e.Cure, e.NoDisc = "its size is 0: there is no disc in it", devnode.PutIn, true
	case d.size == 0:
		e.What, e.Cure = "the file is empty", "Name an image with something in it."
	case d.size%sector.Size != 0:
		e.What = fmt.Sprintf("its size of %d bytes is not a multiple of %d, the bytes of a sector", d.size, sector.Size)
		e.Cure = "Name a disc or an image with sectors of 2048 bytes."
		if d.size%2352 == 0 { // the bytes of a raw CD sector, ECMA-130 clause 14
			e.Cure = "It looks like a raw CD image, with 2352 bytes a sector; an image with 2048 is wanted."
		}
	default:
		return nil
	}
	return e
}

// Close implements child.Backend.
func (d *disk) Close() error {
	if d.fd < 0 {
		return nil
	}
	err := unix.Close(d.fd)
	d.fd = -1
	return err
}

// Call implements child.Backend: a block device can do nothing else.
func (d *disk) Call(string, []byte) ([]byte, error) { return nil, device.ErrUnsupported }
