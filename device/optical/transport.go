package optical

import (
	"fmt"
	"time"

	"turnstone/device/scsi"
)

// Transport carries commands to a drive, one at a time. The one of this package is
// SG_IO; tests and simulated drives have others.
type Transport interface {
	// Do sends a command and waits until it has ended. Data is what goes with it,
	// or room for what comes, of c.Len() bytes at most; where more than 64 KiB
	// come, it must be memory that the runtime does not move. The timeout is the
	// host's: a command that has not ended by then is broken off by it, which may
	// take a while and ends in HostTimeOut.
	//
	// An error is the host's, which did not send the command: an errno of Linux
	// (EPERM where a command is kept from us, ENODEV and ENXIO where the drive has
	// gone). What the drive says is in the result.
	Do(c scsi.Command, data []byte, timeout time.Duration) (Result, error)
	Close() error
}

// Result is how a command ended.
type Result struct {
	Status   scsi.Status
	Sense    []byte // as it came; valid until the next Do
	Residual int    // bytes of the data that did not go or come
	Host     HostStatus
}

// HostStatus is what the host says of the transport (linux, scsi_status.h, DID_…).
type HostStatus uint16

const (
	HostOK        HostStatus = 0x00
	HostNoConnect HostStatus = 0x01
	HostBusy      HostStatus = 0x02
	HostTimeOut   HostStatus = 0x03
	HostBadTarget HostStatus = 0x04
	HostAbort     HostStatus = 0x05
	HostError     HostStatus = 0x07
	HostReset     HostStatus = 0x08
)

var hostNames = map[HostStatus]string{
	HostOK: "ok", HostNoConnect: "no connection", HostBusy: "the bus stayed busy", HostTimeOut: "time-out",
	HostBadTarget: "no such target", HostAbort: "aborted", HostError: "transport error", HostReset: "reset",
}

// String is the status in words.
func (h HostStatus) String() string {
	if s, ok := hostNames[h]; ok {
		return s
	}
	return fmt.Sprintf("host status %02Xh", uint16(h))
}

// Host is what the machine knows of a drive beside what the drive says itself. Its
// methods cost little: some are called for each read.
type Host interface {
	// Limit is the most bytes that one command may carry.
	Limit() int
	// Gone says how the machine calls a drive that takes no commands any more,
	// such as "offline"; "" where it does.
	Gone() string
	// Sequence is a number that is another for each disc that was put in since the
	// machine started; not ok where there is none.
	Sequence() (n uint64, ok bool)
	// Wait lets time pass.
	Wait(d time.Duration)
}
