package main

import (
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"testing"

	"turnstone/device/faultydisc"
	"turnstone/device/sector"
)

// nobody is a user who may do little.
const nobody = 65534

// asNobody runs the program as a user without rights, in folders of its own.
func asNobody(t *testing.T, args ...string) result {
	t.Helper()
	return startAs(t, &syscall.Credential{Uid: nobody, Gid: nobody}, args...).wait()
}

// publicDir is a folder that nobody may write into.
func publicDir(t *testing.T) string {
	t.Helper()
	if os.Geteuid() != 0 {
		lacking(t, "only root can run the program as somebody else")
	}
	dir, err := os.MkdirTemp("", "turnstone-nobody-")
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { os.RemoveAll(dir) })
	if err := os.Chown(dir, nobody, nobody); err != nil {
		t.Fatal(err)
	}
	return dir
}

// Whoever may not read a drive is told what group to join, or whom to ask; whoever
// may not write the case, that.
func TestPermission(t *testing.T) {
	t.Parallel()
	dir := publicDir(t)
	image := filepath.Join(dir, "disc.iso")
	if err := os.WriteFile(image, faultydisc.Pattern(50, sector.Span(0, 100)), 0o600); err != nil {
		t.Fatal(err)
	}
	folder := filepath.Join(dir, "case")
	asNobody(t, "read", folder, "--drive", image).is(exitFailed, image+": no permission to read it", "chmod a+r "+image)
	if _, err := os.Stat(folder); err == nil {
		t.Error("a case was made of a disc that can't be read")
	}

	if err := os.Chmod(image, 0o644); err != nil {
		t.Fatal(err)
	}
	asNobody(t, "read", folder, "--drive", image, "--only", "0-49").is(exitMissing)
	before := treeOf(t, folder)
	// The case is somebody else's now.
	if err := os.Chown(folder, 0, 0); err != nil {
		t.Fatal(err)
	}
	for _, args := range [][]string{{"status", folder}, {"check", folder}, {"read", folder, "--drive", image}} {
		r := asNobody(t, args...).is(exitFailed, "permission denied")
		if strings.Contains(r.err, "not a case") {
			t.Errorf("%v said %q; want that there is no permission, not that there is no case", args, r.err)
		}
	}
	if err := os.Chown(folder, nobody, nobody); err != nil {
		t.Fatal(err)
	}
	if after := treeOf(t, folder); after != before {
		t.Errorf("the case was\n%s\nand is\n%s", before, after)
	}
	asNobody(t, "read", folder, "--drive", image).is(exitDone)
	if sumOf(t, filepath.Join(folder, "image.iso")) != sumOf(t, image) {
		t.Error("the image differs from the disc")
	}

	// A folder in which no case can be made.
	asNobody(t, "read", "/proc/case", "--drive", image).is(exitFailed)
}

// A device node names its group, where that may read it.
func TestPermissionOfADevice(t *testing.T) {
	t.Parallel()
	dir := publicDir(t)
	disc := faultydisc.New(t, faultydisc.Options{Sectors: 100})
	var st syscall.Stat_t
	if err := syscall.Stat(disc.Device, &st); err != nil {
		t.Fatal(err)
	}
	cure := "Only root may: run it with sudo."
	if st.Mode&0o040 != 0 && st.Gid != 0 {
		cure = "Join the group "
	}
	if st.Mode&0o004 != 0 {
		t.Skipf("everybody may read %s here", disc.Device)
	}
	asNobody(t, "read", filepath.Join(dir, "case"), "--drive", disc.Device).
		is(exitFailed, disc.Device+": no permission to read it", cure)
}
