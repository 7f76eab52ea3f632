package imager

import (
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"syscall"
)

// lock is the case's lock file, held as long as it is open. The kernel lets go
// of it when the process ends, however it ends.
type lock struct{ f *os.File }

// holder is what the lock file says.
type holder struct {
	PID     int    `json:"pid"`
	Command string `json:"command"`
}

// commandMax bounds the command line that is told of, in bytes.
const commandMax = 1000

// takeLock locks the case in dir for this process, and notes who it is. An *InUseError is
// returned when another one has it.
func takeLock(dir, command string) (*lock, error) {
	l, err := takeNameless(dir)
	if err != nil {
		return nil, err
	}
	b, err := json.Marshal(holder{os.Getpid(), command[:min(len(command), commandMax)]})
	if err == nil {
		err = l.f.Truncate(0)
	}
	if err == nil {
		_, err = l.f.WriteAt(append(b, '\n'), 0)
	}
	if err != nil {
		l.f.Close()
		return nil, fmt.Errorf("%s: %w", l.f.Name(), err)
	}
	return l, nil
}

// takeNameless is takeLock that notes nothing: on a full disk there is no room for it.
func takeNameless(dir string) (*lock, error) {
	path := filepath.Join(dir, lockName)
	f, err := os.OpenFile(path, os.O_RDWR|os.O_CREATE, 0o600)
	if err != nil {
		return nil, err
	}
	if err := syscall.Flock(int(f.Fd()), syscall.LOCK_EX|syscall.LOCK_NB); err != nil {
		f.Close()
		if !errors.Is(err, syscall.EWOULDBLOCK) {
			return nil, fmt.Errorf("%s: locking: %w", path, err)
		}
		h := lockHolder(dir)
		return nil, &InUseError{Dir: dir, PID: h.PID, Command: h.Command}
	}
	return &lock{f}, nil
}

// shareLock keeps writers out of the case in dir until it is closed; others may
// share it. Nothing is written. An *InUseError is returned when a process writes
// into the case. A case without a lock file was never written into where it lies.
func shareLock(dir string) (io.Closer, error) {
	f, err := os.Open(filepath.Join(dir, lockName))
	if errors.Is(err, fs.ErrNotExist) {
		return io.NopCloser(nil), nil
	}
	if err != nil {
		return nil, err
	}
	if err := syscall.Flock(int(f.Fd()), syscall.LOCK_SH|syscall.LOCK_NB); err != nil {
		f.Close()
		if !errors.Is(err, syscall.EWOULDBLOCK) {
			return nil, fmt.Errorf("%s: locking: %w", f.Name(), err)
		}
		h := lockHolder(dir)
		return nil, &InUseError{Dir: dir, PID: h.PID, Command: h.Command}
	}
	return sharedLock{f}, nil
}

// UserOf is who writes into the case in dir at this moment; nil where nobody does.
func UserOf(dir string) (*InUseError, error) {
	// Sharing the lock would be in the way of a writer that takes it this moment, so it
	// is tried only where the file names one: who looks often is in nobody's way.
	if info, err := os.Stat(filepath.Join(dir, lockName)); err == nil && info.Size() == 0 {
		return nil, nil
	}
	l, err := shareLock(dir)
	if user, ok := errors.AsType[*InUseError](err); ok {
		return user, nil
	}
	if err != nil {
		return nil, err
	}
	return nil, l.Close()
}

// sharedLock is a lock that others may share.
type sharedLock struct{ f *os.File }

// Close lets go of the lock.
func (l sharedLock) Close() error {
	// By name, as in release: a process that was forked this moment may hold the
	// file as well.
	return errors.Join(syscall.Flock(int(l.f.Fd()), syscall.LOCK_UN), l.f.Close())
}

// lockHolder is who holds the lock, as far as the lock file tells: zero where a
// killed process wrote it, and another one holds the lock that does not write.
func lockHolder(dir string) (h holder) {
	f, err := os.Open(filepath.Join(dir, lockName))
	if err != nil {
		return holder{}
	}
	defer f.Close()
	buf := make([]byte, 8*commandMax) // JSON may take six bytes for one
	n, _ := f.ReadAt(buf, 0)
	if json.Unmarshal(buf[:n], &h) != nil || h.PID <= 0 || errors.Is(syscall.Kill(h.PID, 0), syscall.ESRCH) {
		return holder{}
	}
	return h
}

// release lets go of the lock. The file stays: taking it away would let two
// processes lock two files of one name.
func (l *lock) release() error {
	err := l.f.Truncate(0)
	// Closing alone would not do while a process that was forked this moment, and
	// has not yet become its program, holds the file as well.
	if uerr := syscall.Flock(int(l.f.Fd()), syscall.LOCK_UN); err == nil {
		err = uerr
	}
	if cerr := l.f.Close(); err == nil {
		err = cerr
	}
	return err
}
