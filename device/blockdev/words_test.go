package blockdev

import (
	"os"
	"path/filepath"
	"slices"
	"strings"
	"syscall"
	"testing"

	"golang.org/x/sys/unix"

	"turnstone/device"
)

func TestClasses(t *testing.T) {
	for _, test := range []struct {
		err  error
		want device.Class
	}{
		{unix.ENODATA, device.Medium},
		{unix.EIO, device.Doubtful}, {unix.EILSEQ, device.Doubtful}, {unix.ETIMEDOUT, device.Doubtful},
		{unix.EREMOTEIO, device.Doubtful}, {unix.EAGAIN, device.Doubtful}, {unix.ENOLINK, device.Doubtful},
		{unix.EUCLEAN, device.Doubtful}, // a file system's own damage
		{unix.ENODEV, device.Gone}, {unix.ENXIO, device.Gone}, {unix.ENOMEDIUM, device.Gone},
		{unix.ESTALE, device.Gone}, {errEnd, device.Gone},
		{unix.EMEDIUMTYPE, device.Changed},
		{unix.EINVAL, device.Refused}, {unix.ENOMEM, device.Refused},
	} {
		if got := classOf(test.err); got != test.want {
			t.Errorf("classOf(%s) = %v; want %v", errnoText(test.err), got, test.want)
		}
	}
}

func TestErrnoText(t *testing.T) {
	for err, want := range map[error]string{
		unix.ENODATA:        "ENODATA: critical medium error",
		unix.ENODEV:         "ENODEV: no such device",
		syscall.Errno(4095): "errno 4095",
		errEnd:              "no bytes came, in front of the end",
	} {
		if got := errnoText(err); got != want {
			t.Errorf("errnoText(%v) = %q; want %q", err, got, want)
		}
	}
}

// mountinfo is the example of proc_pid_mountinfo(5), and invented lines.
const mountinfo = `36 35 98:0 /mnt1 /mnt2 rw,noatime master:1 - ext3 /dev/root rw,errors=continue
40 35 11:0 / /media/My\040Disc\134x ro,relatime shared:2 - iso9660 /dev/sr0 ro
short line
41 35 x:0 / /nowhere ro - tmpfs none ro
`

func TestMounts(t *testing.T) {
	want := []mount{{unix.Mkdev(98, 0), "/mnt2"}, {unix.Mkdev(11, 0), `/media/My Disc\x`}}
	if got := slices.Collect(mounts([]byte(mountinfo))); !slices.Equal(got, want) {
		t.Errorf("mounts = %v; want %v", got, want)
	}
}

func FuzzMounts(f *testing.F) {
	f.Add([]byte(mountinfo))
	f.Fuzz(func(t *testing.T, info []byte) {
		n, bytes := 0, 0
		for m := range mounts(info) {
			n++
			bytes += len(m.point)
		}
		if lines := strings.Count(string(info), "\n") + 1; n > lines || bytes > len(info) {
			t.Errorf("mounts(%q) has %d with %d bytes; want one a line at most, and no more bytes than that", info, n, bytes)
		}
	})
}

func TestPermit(t *testing.T) {
	groups := filepath.Join(t.TempDir(), "group")
	write(t, groups, "root:x:0:\nbroken\ncdrom:x:24:somebody\n")
	for _, test := range []struct {
		name string
		st   unix.Stat_t
		want string
	}{
		{"a drive of a group that may", unix.Stat_t{Mode: unix.S_IFBLK | 0o660, Gid: 24}, "usermod -aG cdrom $USER, then log in again"},
		{"a drive of a group that may not", unix.Stat_t{Mode: unix.S_IFBLK | 0o600, Gid: 24}, "sudo"},
		{"a drive of root's group", unix.Stat_t{Mode: unix.S_IFBLK | 0o660, Gid: 0}, "sudo"},
		{"a drive of a group without a name", unix.Stat_t{Mode: unix.S_IFBLK | 0o660, Gid: 25}, "sudo"},
		{"a file", unix.Stat_t{Mode: unix.S_IFREG | 0o600, Gid: 24}, "chmod a+r '/d/a b.iso'"},
		{"what can't even be looked at", unix.Stat_t{}, "folders above"},
	} {
		if got := permit("/d/a b.iso", &test.st, groups, 1000); !strings.Contains(got, test.want) {
			t.Errorf("permit(%s) = %q; want %q in it", test.name, got, test.want)
		}
		if got := permit("/d/a b.iso", &test.st, groups, 0); strings.Contains(got, "sudo") ||
			test.st.Mode&unix.S_IFMT == unix.S_IFBLK && !strings.Contains(got, "Even root") {
			t.Errorf("permit(%s) of root = %q; want no sudo in it, of a drive that even root may not", test.name, got)
		}
	}
}

func write(t *testing.T, path, text string) {
	t.Helper()
	if err := os.MkdirAll(filepath.Dir(path), 0o700); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
}

func TestSysfs(t *testing.T) {
	for _, test := range []struct {
		name                  string
		files                 map[string]string // invented
		vendor, model, serial string
	}{
		{"a loop device", nil, "", "", ""},
		{"an optical drive", map[string]string{"device/vendor": "ACME    \n", "device/model": "DVD-ROM  X1 \n",
			"device/vpd_pg80": "\x05\x80\x00\x0A  0123456\x00beyond"}, "ACME", "DVD-ROM X1", "0123456"},
		{"NVMe", map[string]string{"device/model": "FAST\n", "device/serial": "S 1\n"}, "", "FAST", "S 1"},
		{"a virtual disk", map[string]string{"device/vendor": "0x1af4\n", "serial": "V9"}, "", "", "V9"},
		{"a page of another code", map[string]string{"device/vpd_pg80": "\x05\x83\x00\x01x"}, "", "", ""},
		{"a page that is longer than it is", map[string]string{"device/vpd_pg80": "\x05\x80\xFF\xFFab"}, "", "", "ab"},
		{"a page cut short", map[string]string{"device/vpd_pg80": "\x05\x80\x00"}, "", "", ""},
		{"a name of other letters", map[string]string{"device/model": "A\x00\xFFB\x1b[2J"}, "", "A B [2J", ""},
	} {
		s := sysfs(t.TempDir())
		for name, text := range test.files {
			write(t, filepath.Join(string(s), name), text)
		}
		if v, m, n := s.identity(); v != test.vendor || m != test.model || n != test.serial {
			t.Errorf("identity of %s = %q, %q, %q; want %q, %q, %q", test.name, v, m, n, test.vendor, test.model, test.serial)
		}
	}
	if v, m, n := sysfs("").identity(); v+m+n != "" {
		t.Errorf("identity without sysfs = %q, %q, %q; want none", v, m, n)
	}
}

func TestState(t *testing.T) {
	for _, test := range []struct {
		state string
		had   bool
		gone  bool
	}{
		{"", false, false}, {"", true, true},
		{"running\n", true, false}, {"blocked\n", true, false}, {"live\n", true, false},
		{"offline\n", true, true}, {"transport-offline\n", true, true}, {"dead\n", true, true}, {"offline\n", false, true},
	} {
		s := sysfs(t.TempDir())
		if test.state != "" {
			write(t, filepath.Join(string(s), "device/state"), test.state)
		}
		if _, gone := s.state(test.had); gone != test.gone {
			t.Errorf("state %q, had one before %v: gone %v; want %v", test.state, test.had, gone, test.gone)
		}
	}
}
