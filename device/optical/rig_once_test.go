package optical

import (
	"fmt"
	"runtime"
	"strings"
	"testing"
	"time"
	"unsafe"

	"turnstone/device/devnode"
	"turnstone/device/devnode/devnodetest"
	"turnstone/device/scsi"
)

// Commands that tell themselves from all others in the drive's log by the room that they
// have for an answer.
const (
	rigTimes     = 1000
	rigOnceRoom  = 37
	rigBareRoom  = 38
	rigSignalsIn = 200 * time.Microsecond
)

// rigOnce sends commands through the drive's sg node while signals rain on the thread that
// sends them; those of the second lot without holding the signals back.
func rigOnce(t *testing.T, node string) {
	tr, _, err := dial(node, toAct)
	if err != nil {
		t.Fatal(err)
	}
	defer tr.Close()
	runtime.LockOSThread()
	defer runtime.UnlockOSThread()
	defer devnodetest.Signals(t, rigSignalsIn)()
	var answer [rigBareRoom]byte
	for range rigTimes {
		c := scsi.Inquiry{Alloc: rigOnceRoom}.Command()
		if r, err := tr.Do(c, answer[:rigOnceRoom], 10*time.Second); err != nil || r.Status != 0 {
			t.Fatalf("INQUIRY = %+v, %v", r, err)
		}
	}
	x := new(exchange)
	for range rigTimes {
		n := copy(x.cdb[:], scsi.Inquiry{Alloc: rigBareRoom}.Command().CDB())
		x.header = header{
			interfaceID: 'S', direction: dirFromDevice, cmdLen: uint8(n), maxSense: senseRoom,
			dataLen: rigBareRoom, data: &x.small[0], cmd: &x.cdb[0], sense: &x.sense[0], timeout: 10_000,
		}
		if err := devnode.Ioctl(tr.(*sgTransport).fd, sgIO, unsafe.Pointer(&x.header)); err != nil {
			t.Fatal(err)
		}
	}
}

// checkRigOnce holds the drive's log against what rigOnce sent.
func checkRigOnce(t *testing.T, log string) {
	t.Helper()
	got := func(room int) int { return strings.Count(log, fmt.Sprintf(" 12 00 00 00 %02x 00", room)) }
	if got(rigOnceRoom) != rigTimes {
		t.Errorf("of %d commands among signals the drive got %d", rigTimes, got(rigOnceRoom))
	}
	t.Logf("of %d commands among signals that are not held back the drive got %d", rigTimes, got(rigBareRoom))
}
