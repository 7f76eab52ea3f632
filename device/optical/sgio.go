package optical

import (
	"errors"
	"runtime"
	"time"
	"unsafe"

	"golang.org/x/sys/unix"

	"turnstone/device/devnode"
	"turnstone/device/scsi"
)

// header is struct sg_io_hdr of <scsi/sg.h>, with pointers where C has pointers, so
// that the collector sees what the kernel is given. A test holds the offsets against
// the C compiler's.
type header struct {
	interfaceID  int32 // 'S'
	direction    int32
	cmdLen       uint8
	maxSense     uint8
	iovecCount   uint16
	dataLen      uint32
	data         *byte
	cmd          *byte
	sense        *byte
	timeout      uint32 // ms
	flags        uint32
	packID       int32
	userPtr      *byte
	status       uint8
	maskedStatus uint8
	msgStatus    uint8
	senseLen     uint8 // bytes of sense data that came
	hostStatus   uint16
	driverStatus uint16
	residual     int32
	duration     uint32 // ms
	info         uint32
}

// Of <scsi/sg.h>.
const (
	sgIO           = 0x2285
	sgReservedSize = 0x2272 // SG_GET_RESERVED_SIZE
	sgScsiReset    = 0x2284
	dirNone        = -1
	dirToDevice    = -2
	dirFromDevice  = -3
)

const (
	senseRoom = 64
	smallRoom = 64<<10 + 8 // the longest response: 16 bits of length, and its head
)

// exchange is what the kernel is handed the address of. It lives on the heap and is
// pinned for as long as the transport is open.
type exchange struct {
	header header
	cdb    [16]byte
	sense  [senseRoom]byte
	small  [smallRoom]byte // data of commands other than long reads
}

// sgTransport is SG_IO through a node of the sr driver, and for what changes the
// drive's settings through a second opening.
type sgTransport struct {
	fd       int
	settings int // -1 until needed
	// openSettings opens the second way.
	openSettings func() (int, error)
	// reads tells that this process is there to read the drive, through its sr node: the
	// kernel sleeps uninterruptibly then until a READ has ended. (In the sg driver a signal
	// ends its sleep, sg_ioctl, and it would send the command once more.)
	reads bool

	x   *exchange
	pin runtime.Pinner
}

func newSGTransport(fd int, p purpose, openSettings func() (int, error)) *sgTransport {
	t := &sgTransport{fd: fd, settings: -1, openSettings: openSettings, reads: p == toRead, x: new(exchange)}
	t.pin.Pin(t.x)
	return t
}

// setsSomething tells which commands the kernel lets through only where the node was
// opened for writing (scsi_ioctl.c, scsi_cmd_allowed). Two of them carry data to the
// drive, none of them to the disc.
func setsSomething(op scsi.Op) bool {
	switch op {
	case scsi.OpModeSelect10, scsi.OpSetCDSpeed, scsi.OpSetStreaming, scsi.OpPreventAllow:
		return true
	}
	return false
}

// readsSectors tells which commands may be held: see devnode.Hold.
func readsSectors(op scsi.Op) bool {
	switch op {
	case scsi.OpRead10, scsi.OpRead12, scsi.OpReadCD:
		return true
	}
	return false
}

// Do implements Transport.
func (t *sgTransport) Do(c scsi.Command, data []byte, timeout time.Duration) (Result, error) {
	fd := t.fd
	if setsSomething(c.Op()) {
		if t.settings < 0 {
			var err error
			if t.settings, err = t.openSettings(); err != nil {
				t.settings = -1
				return Result{}, err
			}
		}
		fd = t.settings
	}
	x := t.x
	n := copy(x.cdb[:], c.CDB())
	x.header = header{
		interfaceID: 'S', direction: dirNone, cmdLen: uint8(n), maxSense: senseRoom,
		cmd: &x.cdb[0], sense: &x.sense[0], timeout: uint32(min(timeout.Milliseconds(), 1<<31)),
	}
	h := &x.header
	small := len(data) <= smallRoom
	if len(data) > 0 && c.Direction() != scsi.NoData {
		h.dataLen, h.data = uint32(len(data)), &data[0]
		h.direction = dirFromDevice
		if c.Direction() == scsi.ToUnit {
			h.direction = dirToDevice
		}
		if small {
			h.data = &x.small[0]
			copy(x.small[:], data)
		}
	}
	var err error
	if t.reads && readsSectors(c.Op()) {
		err = devnode.Hold(fd, sgIO, unsafe.Pointer(h))
	} else {
		devnode.Undisturbed(func() { err = devnode.Ioctl(fd, sgIO, unsafe.Pointer(h)) })
	}
	runtime.KeepAlive(data)
	if err != nil {
		return Result{}, err
	}
	residual := min(max(int(h.residual), 0), len(data))
	if small && h.direction == dirFromDevice {
		copy(data, x.small[:len(data)-residual])
	}
	return Result{
		Status: scsi.Status(h.status), Sense: x.sense[:min(int(h.senseLen), senseRoom)],
		Residual: residual, Host: HostStatus(h.hostStatus),
	}, nil
}

// Close implements Transport.
func (t *sgTransport) Close() error {
	var second error
	if t.settings >= 0 {
		second = unix.Close(t.settings)
	}
	err := errors.Join(unix.Close(t.fd), second)
	t.fd, t.settings = -1, -1
	t.pin.Unpin()
	return err
}

// settingsNode opens the way that settings go. A drive's sg node knows of no disc,
// so it comes first. Opening /dev/sr* for writing has the cdrom driver make the disc
// ready for it, which on a rewritable one may begin to format it (cdrom_open_write);
// with O_NONBLOCK it does none of that, and opens whatever the disc. Neither way is
// anything ever written: the commands of device/scsi have none that does.
func settingsNode(node, sg string) (int, error) {
	if sg != "" {
		if fd, err := devnode.Open(sg, unix.O_RDWR|unix.O_NONBLOCK|unix.O_CLOEXEC); err == nil {
			return fd, nil
		}
	}
	return devnode.Open(node, unix.O_RDWR|unix.O_NONBLOCK|unix.O_CLOEXEC)
}

// reservedSize is the most bytes that the sg interface buffers for a command.
func reservedSize(fd int) (int, error) {
	var n int32
	err := devnode.Ioctl(fd, sgReservedSize, unsafe.Pointer(&n))
	return int(n), err
}

// Resets that the kernel does at the user's word (SG_SCSI_RESET_DEVICE, _TARGET), and
// that it does no more than was asked for (_NO_ESCALATE). The C library's header has
// the first only; the kernel's has all [memory].
const (
	resetNoEscalation = 0x100
	resetUnit         = 1 | resetNoEscalation
	resetTarget       = 4 | resetNoEscalation
)

// scsiReset resets a logical unit or a target through the host.
func scsiReset(fd, what int) error {
	n := int32(what)
	return devnode.Ioctl(fd, sgScsiReset, unsafe.Pointer(&n))
}

// usbDevFSReset is USBDEVFS_RESET of linux/usbdevice_fs.h.
const usbDevFSReset = 'U'<<8 | 20

// usbReset resets the port that a USB device hangs on.
func usbReset(fd int) error { return devnode.Ioctl(fd, usbDevFSReset, nil) }
