package main

import (
	"flag"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"strconv"
	"sync"
	"testing"

	"github.com/rogpeppe/go-internal/testscript"

	"turnstone/device/child"
	"turnstone/device/faultydisc"
)

// This test binary is four programs: the tests, the server of a faulty disc, the
// program itself for the scripts in testdata, and that program's child, which
// reads the drive.
func TestMain(m *testing.M) {
	child.Main(openers)
	faultydisc.Main()
	guestShell()
	testscript.Main(suite{m}, map[string]func(){"turnstone": main})
}

// suite is the tests, and what is to be cleared away behind them.
type suite struct{ *testing.M }

func (s suite) Run() int {
	flag.Parse()
	// Most of these tests wait for a drive that does not answer.
	if f := flag.Lookup("test.parallel"); f.Value.String() == f.DefValue {
		f.Value.Set(strconv.Itoa(max(4, runtime.GOMAXPROCS(0))))
	}
	dir, err := os.MkdirTemp("", "turnstone-built-")
	if err != nil {
		fmt.Fprintln(os.Stderr, err)
		return 1
	}
	defer os.RemoveAll(dir)
	os.Chmod(dir, 0o755) // for tests that run the program as another user
	build = sync.OnceValues(func() (string, error) {
		path := filepath.Join(dir, "turnstone")
		out, err := exec.Command("go", "build", "-o", path, ".").CombinedOutput()
		if err != nil {
			err = fmt.Errorf("go build: %w\n%s", err, out)
		}
		return path, err
	})
	return s.M.Run()
}

// build builds the program, once, and returns its path.
var build func() (string, error)

// program is the path of the built program.
func program(t testing.TB) string {
	t.Helper()
	path, err := build()
	if err != nil {
		t.Fatal(err)
	}
	return path
}

// lacking ends a test for want of something on this machine: it is skipped, and
// fails where the environment says CI=true.
func lacking(t testing.TB, format string, args ...any) {
	t.Helper()
	if os.Getenv("CI") == "true" {
		t.Fatalf(format, args...)
	}
	t.Skipf(format, args...)
}
