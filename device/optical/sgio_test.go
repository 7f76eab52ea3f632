package optical

import (
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"unsafe"

	"turnstone/device/scsi"
)

// The header against the C compiler's idea of it, and the request numbers against the
// kernel's headers.
func TestHeaderIsTheKernels(t *testing.T) {
	cc, err := exec.LookPath("cc")
	if err != nil {
		if os.Getenv("CI") == "true" {
			t.Fatal("no C compiler; want one in CI")
		}
		t.Skip("no C compiler")
	}
	var h header
	fields := []struct {
		c  string
		at uintptr
	}{
		{"interface_id", unsafe.Offsetof(h.interfaceID)}, {"dxfer_direction", unsafe.Offsetof(h.direction)},
		{"cmd_len", unsafe.Offsetof(h.cmdLen)}, {"mx_sb_len", unsafe.Offsetof(h.maxSense)},
		{"iovec_count", unsafe.Offsetof(h.iovecCount)}, {"dxfer_len", unsafe.Offsetof(h.dataLen)},
		{"dxferp", unsafe.Offsetof(h.data)}, {"cmdp", unsafe.Offsetof(h.cmd)}, {"sbp", unsafe.Offsetof(h.sense)},
		{"timeout", unsafe.Offsetof(h.timeout)}, {"flags", unsafe.Offsetof(h.flags)}, {"pack_id", unsafe.Offsetof(h.packID)},
		{"usr_ptr", unsafe.Offsetof(h.userPtr)}, {"status", unsafe.Offsetof(h.status)},
		{"masked_status", unsafe.Offsetof(h.maskedStatus)}, {"msg_status", unsafe.Offsetof(h.msgStatus)},
		{"sb_len_wr", unsafe.Offsetof(h.senseLen)}, {"host_status", unsafe.Offsetof(h.hostStatus)},
		{"driver_status", unsafe.Offsetof(h.driverStatus)}, {"resid", unsafe.Offsetof(h.residual)},
		{"duration", unsafe.Offsetof(h.duration)}, {"info", unsafe.Offsetof(h.info)},
	}
	var want, program strings.Builder
	program.WriteString("#include <stdio.h>\n#include <stddef.h>\n#include <sys/ioctl.h>\n#include <scsi/sg.h>\n#include <linux/usbdevice_fs.h>\nint main(void) {\n")
	for _, f := range fields {
		fmt.Fprintf(&program, "printf(\"%s %%zu\\n\", offsetof(struct sg_io_hdr, %s));\n", f.c, f.c)
		fmt.Fprintf(&want, "%s %d\n", f.c, f.at)
	}
	for _, n := range []struct {
		c     string
		value int64
	}{
		{"sizeof(struct sg_io_hdr)", int64(unsafe.Sizeof(h))}, {"SG_IO", sgIO}, {"SG_GET_RESERVED_SIZE", sgReservedSize},
		{"SG_SCSI_RESET", sgScsiReset}, {"SG_SCSI_RESET_DEVICE", resetUnit &^ resetNoEscalation}, {"SG_DXFER_NONE", dirNone},
		{"SG_DXFER_TO_DEV", dirToDevice}, {"SG_DXFER_FROM_DEV", dirFromDevice}, {"USBDEVFS_RESET", usbDevFSReset},
	} {
		fmt.Fprintf(&program, "printf(\"%s %%lld\\n\", (long long)%s);\n", n.c, n.c)
		fmt.Fprintf(&want, "%s %d\n", n.c, n.value)
	}
	program.WriteString("return 0;\n}\n")
	dir := t.TempDir()
	source, binary := filepath.Join(dir, "h.c"), filepath.Join(dir, "h")
	if err := os.WriteFile(source, []byte(program.String()), 0o600); err != nil {
		t.Fatal(err)
	}
	if out, err := exec.Command(cc, "-o", binary, source).CombinedOutput(); err != nil {
		t.Fatalf("cc: %v\n%s", err, out)
	}
	got, err := exec.Command(binary).Output()
	if err != nil {
		t.Fatal(err)
	}
	if string(got) != want.String() {
		t.Errorf("the C compiler says\n%s\nwant\n%s", got, want.String())
	}
}

// Which commands go through the second opening: those that the kernel keeps from a
// node opened for reading, of all that there are (scsi_ioctl.c, scsi_cmd_allowed).
func TestSettingsGoTheirOwnWay(t *testing.T) {
	want := map[scsi.Op]bool{scsi.OpModeSelect10: true, scsi.OpSetCDSpeed: true, scsi.OpSetStreaming: true, scsi.OpPreventAllow: true}
	for op := range 256 {
		if got := setsSomething(scsi.Op(op)); got != want[scsi.Op(op)] {
			t.Errorf("setsSomething(%v) = %v; want %v", scsi.Op(op), got, want[scsi.Op(op)])
		}
	}
}
