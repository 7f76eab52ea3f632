package main

import (
	"context"
	"fmt"
	"io"
	"os"
	"os/signal"
	"sync"
	"syscall"

	"turnstone/imager"
)

// stopSignal is what turnstone stop sends to the process that reads.
const stopSignal = syscall.SIGUSR1

// untilInterrupted is a context that ends with the first Ctrl-C or SIGTERM. A
// second one leaves the program at once: what the map says by then is true, and
// what it does not say is read again. A reader of our output who leaves does not
// end the program: a pass goes on without being watched.
//
// The signal of turnstone stop ends it too, with imager.ErrStopped as the cause.
func untilInterrupted(stderr io.Writer) (context.Context, func()) {
	ctx, cancel := context.WithCancelCause(context.Background())
	got := make(chan os.Signal, 2)
	done := make(chan struct{})
	signal.Notify(got, os.Interrupt, syscall.SIGTERM, syscall.SIGHUP, stopSignal)
	left := make(chan os.Signal, 1) // while it is notified, writing to nobody is an error only
	signal.Notify(left, syscall.SIGPIPE)
	go func() {
		for first := true; ; {
			select {
			case sig := <-got:
				if sig == stopSignal {
					cancel(imager.ErrStopped)
					first = false
					continue
				}
				if !first {
					os.Exit(exitMissing)
				}
				fmt.Fprintln(stderr, "\nturnstone: ending; once more to leave at once")
				cancel(context.Canceled)
				first = false
			case <-done:
				return
			}
		}
	}()
	var once sync.Once
	return ctx, func() {
		once.Do(func() {
			signal.Stop(got)
			signal.Stop(left)
			close(done)
			cancel(context.Canceled)
		})
	}
}
