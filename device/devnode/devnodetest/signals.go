package devnodetest

import (
	"testing"
	"time"

	"golang.org/x/sys/unix"
)

// Signals has the signal that Go's runtime sends to its own threads come upon the calling
// thread again and again, so often, until the function returned is called. The goroutine is
// one that is locked to its thread.
func Signals(t *testing.T, often time.Duration) (stop func()) {
	thread, over, stopped := unix.Gettid(), make(chan struct{}), make(chan struct{})
	go func() {
		defer close(stopped)
		for {
			select {
			case <-over:
				return
			case <-time.After(often):
				if err := unix.Tgkill(unix.Getpid(), thread, unix.SIGURG); err != nil {
					t.Error(err)
					return
				}
			}
		}
	}()
	return func() {
		close(over)
		<-stopped
	}
}
