package devnode

import (
	"errors"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"syscall"
	"testing"

	"golang.org/x/sys/unix"
)

func TestErrnoText(t *testing.T) {
	for err, want := range map[error]string{
		unix.ENODATA:        "ENODATA: critical medium error",
		unix.ENODEV:         "ENODEV: no such device",
		syscall.Errno(4095): "errno 4095",
		errors.New("other"): "other",
	} {
		if got := ErrnoText(err); got != want {
			t.Errorf("ErrnoText(%v) = %q; want %q", err, got, want)
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
	groups := []byte("root:x:0:\nbroken\ncdrom:x:24:somebody\n")
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
		if got := permit("/d/a b.iso", &test.st, unix.S_IRGRP, groups, 1000); !strings.Contains(got, test.want) {
			t.Errorf("permit(%s) = %q; want %q in it", test.name, got, test.want)
		}
		if got := permit("/d/a b.iso", &test.st, unix.S_IRGRP, groups, 0); strings.Contains(got, "sudo") ||
			test.st.Mode&unix.S_IFMT == unix.S_IFBLK && !strings.Contains(got, "Even root") {
			t.Errorf("permit(%s) of root = %q; want no sudo in it, of a drive that even root may not", test.name, got)
		}
	}
}

func TestPermitToSet(t *testing.T) {
	readable := unix.Stat_t{Mode: unix.S_IFBLK | 0o640, Gid: 24}
	groups := []byte("cdrom:x:24:\n")
	if got := permit("/dev/sr0", &readable, unix.S_IWGRP, groups, 1000); !strings.Contains(got, "sudo") || strings.Contains(got, "cdrom") {
		t.Errorf("permit to write of what the group may only read = %q; want sudo, and no group", got)
	}
}

func TestBusy(t *testing.T) {
	if what, cure := busyBy("/dev/sr0", unix.Mkdev(11, 0), []byte(mountinfo)); !strings.Contains(what, `mounted at /media/My Disc\x`) ||
		!strings.Contains(cure, "umount '/media/My Disc") {
		t.Errorf("busy = %q, %q; want where it is mounted", what, cure)
	}
	if what, cure := busyBy("/dev/sr1", unix.Mkdev(11, 1), []byte(mountinfo)); !strings.Contains(what, "another program") ||
		!strings.Contains(cure, "fuser -v /dev/sr1") {
		t.Errorf("busy = %q, %q; want how to find it", what, cure)
	}
}

func TestErrors(t *testing.T) {
	st := &unix.Stat_t{Mode: unix.S_IFBLK | 0o660, Gid: 24}
	for err, words := range map[error]string{
		unix.ENOENT: "no such device", unix.ENXIO: "the drive is not", unix.EACCES: "no permission",
		unix.EBUSY: "to itself", unix.ENOMEDIUM: "no disc", unix.EIO: "EIO: input/output error",
	} {
		e := Error("/dev/sr1", st, err)
		if !strings.Contains(e.What, words) || !errors.Is(e, err) || e.NoDisc != (err == unix.ENOMEDIUM) {
			t.Errorf("Error(%v) = %+v; want %q", err, e, words)
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
		s := Dir(t.TempDir())
		for name, text := range test.files {
			write(t, filepath.Join(string(s), name), text)
		}
		v, m := s.Names()
		if n := s.Serial(); v != test.vendor || m != test.model || n != test.serial {
			t.Errorf("names and serial of %s = %q, %q, %q; want %q, %q, %q", test.name, v, m, n, test.vendor, test.model, test.serial)
		}
	}
	none := Dir("")
	if v, m := none.Names(); v+m+none.Serial()+none.SG()+none.Gone(true) != "" || none.CommandBytes() <= 0 {
		t.Errorf("without sysfs: names %q, %q, serial %q, sg %q, gone %q, bytes %d; want nothing, and a limit", v, m, none.Serial(), none.SG(), none.Gone(true), none.CommandBytes())
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
		s := Dir(t.TempDir())
		if test.state != "" {
			write(t, filepath.Join(string(s), "device/state"), test.state)
		}
		if gone := s.Gone(test.had); (gone != "") != test.gone {
			t.Errorf("state %q, had one before %v: gone %q; want %v", test.state, test.had, gone, test.gone)
		}
	}
}
