package child

import (
	"bufio"
	"encoding/json"
	"maps"
	"os"
	"os/exec"
	"strconv"
	"strings"
	"syscall"
	"testing"

	"golang.org/x/sys/unix"
)

func TestChildHoldsNothingOfOurs(t *testing.T) {
	// Descriptors like those that a shell hands down, without close-on-exec.
	leaked, err := unix.Open(t.TempDir(), unix.O_RDONLY, 0)
	if err != nil {
		t.Fatal(err)
	}
	defer unix.Close(leaked)
	r := start(t, drive{}, nil)
	b, err := r.Call(t.Context(), "self", nil)
	if err != nil {
		t.Fatal(err)
	}
	var s self
	if err := json.Unmarshal(b, &s); err != nil {
		t.Fatal(err)
	}
	want := map[string]string{"0": "/dev/null", "1": "/dev/null", "2": "/memfd:words (deleted)",
		"3": "pipe", "4": "pipe", "5": "/memfd:sectors (deleted)"}
	if !maps.Equal(s.Descriptors, want) {
		t.Errorf("the child holds %v; want %v", s.Descriptors, want)
	}
	if s.Pgid != s.Pid || s.Pgid == syscall.Getpgrp() {
		t.Errorf("process %d of group %d; want a group of its own", s.Pid, s.Pgid)
	}
	if s.Dir != "/" {
		t.Errorf("the child works in %q; want /", s.Dir)
	}
}

func TestChildEndsWithItsParent(t *testing.T) {
	for _, doing := range []string{"idle", "busy"} {
		t.Run(doing, func(t *testing.T) {
			parent := exec.Command("/proc/self/exe")
			parent.Env = append(os.Environ(), parentEnv+"="+doing)
			stdin, err := parent.StdinPipe()
			if err != nil {
				t.Fatal(err)
			}
			defer stdin.Close()
			out, err := parent.StdoutPipe()
			if err != nil {
				t.Fatal(err)
			}
			if err := parent.Start(); err != nil {
				t.Fatal(err)
			}
			line, _ := bufio.NewReader(out).ReadString('\n')
			pid, err := strconv.Atoi(strings.TrimSpace(line))
			if err != nil {
				t.Fatalf("the parent said %q; want its child's process id", line)
			}
			child, err := unix.PidfdOpen(pid, 0)
			if err != nil {
				t.Fatal(err)
			}
			defer unix.Close(child)
			if err := parent.Process.Signal(syscall.SIGKILL); err != nil {
				t.Fatal(err)
			}
			parent.Wait()
			// A pidfd can be read from once the process has ended.
			n, err := unix.Poll([]unix.PollFd{{Fd: int32(child), Events: unix.POLLIN}}, 30_000)
			if n != 1 || err != nil {
				t.Errorf("the child outlives its parent")
			}
		})
	}
}
