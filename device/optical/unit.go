package optical

import (
	"errors"
	"fmt"
	"time"

	"golang.org/x/sys/unix"

	"turnstone/device"
	"turnstone/device/devnode"
	"turnstone/device/scsi"
	"turnstone/device/sector"
)

// unit is a drive at the end of a transport: it sends commands and says what became
// of them.
type unit struct {
	t Transport
	h Host

	// least is how long the host lets every command take, whatever it is. Where a
	// parent waits, it is longer than that waits and than the step that only waits:
	// the kernel breaks a command off by resets, and those are for the user to want.
	least time.Duration

	told attentions
}

// attentions are what the drive told while another thing was asked: how often.
type attentions struct {
	swaps  int // that its disc may have changed
	resets int // that it was reset
}

// fault is why a command did not do what it should.
type fault struct {
	command scsi.Command
	class   scsi.Class // what the drive said; NoError where it said nothing
	sense   scsi.Sense
	lost    device.Class // Stalled, Gone, Doubtful, Refused: what the host said
	text    string
	err     error // the host's errno, where there is one
}

// Error is the command, and what came back.
func (f *fault) Error() string { return f.command.Name() + ": " + f.said() }

// said is what came back: sense key and additional code, where the drive gave some,
// and their text.
func (f *fault) said() string {
	if f.lost != 0 || f.class == scsi.NoError {
		return f.text
	}
	return f.sense.Code() + " " + f.text
}

// Unwrap is the errno.
func (f *fault) Unwrap() error { return f.err }

// is tells whether the drive said this class.
func (f *fault) is(c scsi.Class) bool { return f != nil && f.lost == 0 && f.class == c }

// says tells whether the drive said this key and additional code.
func (f *fault) says(k scsi.Key, asc uint8) bool {
	return f != nil && f.lost == 0 && f.sense.Key == k && f.sense.ASC == asc
}

// How often a command is sent again that was not performed, by the reason.
const (
	mostAborts  = 2 // broken off on its way
	mostNotices = 8 // the drive had something else to tell first
	mostBusy    = 20
	busyPause   = 100 * time.Millisecond
)

// send sends a command; again where the drive did not perform it for a reason that
// passes. It returns how many bytes came, which may be some where there is a fault.
// That a disc may have changed, and that the drive was reset, is a fault.
func (u *unit) send(c scsi.Command, data []byte) (came int, f *fault) {
	timeout := max(timeoutOf(c.Op()), u.least)
	aborts, notices, busy := 0, 0, 0
	for {
		came, f = u.once(c, data, timeout)
		switch {
		case f == nil:
			return came, nil
		case f.lost == device.Doubtful, f.is(scsi.Aborted), f.is(scsi.Deferred):
			// EIO: the host did not even send it, and will not.
			if aborts++; aborts > mostAborts || errors.Is(f.err, unix.EIO) {
				return came, f
			}
		case f.is(scsi.Notice):
			if notices++; notices > mostNotices {
				return came, f
			}
		case f.lost == 0 && f.class == scsi.NoError:
			if busy++; busy > mostBusy {
				return came, f
			}
			u.h.Wait(busyPause)
		default:
			return came, f
		}
		if why := u.h.Gone(); why != "" {
			f.lost, f.text, f.err = device.Gone, "the kernel calls the drive "+why, unix.ENODEV
			return came, f
		}
	}
}

// once sends a command once.
func (u *unit) once(c scsi.Command, data []byte, timeout time.Duration) (came int, f *fault) {
	r, err := u.t.Do(c, data, timeout)
	f = &fault{command: c}
	if err != nil {
		f.err, f.text = err, devnode.ErrnoText(err)
		f.lost = u.hostClass(err)
		return 0, f
	}
	came = len(data) - min(max(r.Residual, 0), len(data))
	switch r.Host {
	case HostOK:
	case HostTimeOut:
		f.lost, f.text = device.Stalled, fmt.Sprintf("no answer within %v", timeout)
		return 0, f
	case HostNoConnect, HostBadTarget:
		f.lost, f.text, f.err = device.Gone, "the drive is not connected any more ("+r.Host.String()+")", unix.ENODEV
		return 0, f
	default:
		f.lost, f.text = device.Doubtful, r.Host.String()
		return 0, f
	}
	switch r.Status {
	case scsi.Good:
		return came, nil
	case scsi.CheckCondition:
		s, err := scsi.ParseSense(r.Sense)
		if err != nil {
			f.lost, f.text = device.Doubtful, "check condition with sense data that says nothing"
			return 0, f
		}
		m := s.Meaning()
		f.class, f.sense, f.text = m.Class, s, m.Text
		if s.Deferred {
			f.text += ", of an earlier command"
		}
		if m.Class == scsi.NoError {
			return came, nil // the drive has nothing to complain of
		}
		return came, f
	case scsi.Busy, scsi.TaskSetFull:
		f.text = "the drive is busy"
		return 0, f
	case scsi.Conflict:
		f.lost, f.text = device.Refused, "another host has the drive to itself"
		return 0, f
	}
	f.lost, f.text = device.Doubtful, fmt.Sprintf("status %02Xh", uint8(r.Status))
	return 0, f
}

// hostClass is what an errno of SG_IO says.
func (u *unit) hostClass(err error) device.Class {
	switch {
	case errors.Is(err, unix.ENODEV), errors.Is(err, unix.ENXIO), errors.Is(err, unix.ESHUTDOWN), errors.Is(err, unix.ENOMEDIUM):
		return device.Gone
	case u.h.Gone() != "":
		return device.Gone
	case errors.Is(err, unix.EPERM), errors.Is(err, unix.EACCES), errors.Is(err, unix.EROFS), errors.Is(err, unix.EINVAL),
		errors.Is(err, unix.EMSGSIZE), errors.Is(err, unix.ENOMEM), errors.Is(err, unix.EFAULT), errors.Is(err, unix.EBADF),
		errors.Is(err, unix.ENOTTY), errors.Is(err, unix.ENOENT):
		return device.Refused
	}
	return device.Doubtful
}

// ask asks for a response, and takes note of what the drive has to tell before.
func (u *unit) ask(c scsi.Command) ([]byte, *fault) {
	b := make([]byte, c.Len())
	came, f := u.tell(c, b)
	if f.is(scsi.Recovered) {
		f = nil
	}
	return b[:came], f
}

// tell sends a command with its data, past whatever the drive has to tell before.
func (u *unit) tell(c scsi.Command, data []byte) (came int, f *fault) {
	for range mostNotices {
		came, f = u.send(c, data)
		switch {
		case f.is(scsi.Changed):
			u.told.swaps++
		case f.is(scsi.Reset):
			u.told.resets++
		default:
			return came, f
		}
	}
	return came, f
}

// timeoutOf is how long the host lets a command take before it breaks it off. What
// moves the mechanism takes long on a scratched disc.
func timeoutOf(op scsi.Op) time.Duration {
	switch op {
	case scsi.OpInquiry, scsi.OpRequestSense, scsi.OpGetEventStatus, scsi.OpGetConfiguration, scsi.OpTestUnitReady:
		return 10 * time.Second
	case scsi.OpStartStopUnit:
		return 20 * time.Second
	}
	return 30 * time.Second
}

// usable tells whether a response can be used: it is whole, or it claims more than
// came, which is then right as far as it goes.
func usable(err error) bool { return err == nil || errors.Is(err, scsi.ErrTruncated) }

// readError is the fault as the answer to a read has it.
func (f *fault) readError(r sector.Range) *device.ReadError {
	e := &device.ReadError{Class: f.deviceClass(), At: -1, Text: f.text, Err: f.err}
	if f.lost != 0 || f.class == scsi.NoError {
		return e
	}
	m := f.sense.Meaning()
	e.Sense = device.Sense{Key: uint8(f.sense.Key), ASC: f.sense.ASC, ASCQ: f.sense.ASCQ}
	if lba, ok := f.sense.LBA(); ok && r.Contains(sector.LBA(lba)) {
		e.At = sector.LBA(lba)
	}
	switch {
	case f.says(scsi.IllegalRequest, 0x64):
		e.Text += ": " + formTwo
	case m.Class == scsi.Unwritten:
		e.Text += ": nothing is recorded there, which is no damage"
	case m.Advice != scsi.NoAdvice && m.Advice != scsi.LeaveBad:
		e.Text += ": " + m.Advice.String()
	}
	return e
}

// deviceClass is what the fault says of the sectors that were asked for.
func (f *fault) deviceClass() device.Class {
	if f.lost != 0 {
		return f.lost
	}
	switch f.class {
	case scsi.Medium:
		return device.Medium
	case scsi.Track:
		return device.Track
	case scsi.NoMedium:
		return device.Gone
	case scsi.Changed, scsi.Reset:
		return device.Changed
	case scsi.Unwritten:
		return device.Medium // nothing is recorded: it is missing, and nothing else is wrong
	case scsi.Refused:
		if f.says(scsi.IllegalRequest, 0x21) || f.says(scsi.IllegalRequest, 0x63) {
			return device.Medium // past what is recorded: the disc ends before
		}
		return device.Refused
	case scsi.Protected:
		return device.Refused
	case scsi.NotReady:
		return device.Stalled
	}
	return device.Doubtful // Hardware, Unrecognised, Aborted, Deferred, Notice, busy
}
