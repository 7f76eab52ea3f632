package child

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"
	"syscall"

	"turnstone/device"
)

// Call has the drive do something else than reading, after what was asked before
// and before what is asked after. What it can do is the backend's to say, which
// gets op (without a zero byte) and arg and gives back a result, each at most
// 1 MiB. Stalls and a drive that went away are *device.ReadError of an empty
// range.
func (r *Reader) Call(ctx context.Context, op string, arg []byte) ([]byte, error) {
	p := r.process()
	if p == nil {
		return nil, device.ErrClosed
	}
	if strings.Contains(op, "\x00") || len(op)+1+len(arg) > maxPayload {
		return nil, fmt.Errorf("child: call %q with %d bytes", op, len(arg))
	}
	r.queue(p, request{op: opCall, payload: slices.Concat([]byte(op), []byte{0}, arg)})
	for {
		mine := len(r.pending) == 1
		head, a, err := r.await(ctx)
		if err == errFinished {
			continue // what was asked before was answered
		}
		if err != nil {
			if n := len(r.pending); n > 0 {
				r.pending[n-1].dropped = true
			}
			return nil, err
		}
		if head.op == opRead && !head.dropped {
			r.ready = append(r.ready, r.judge(head, a))
		}
		switch {
		case a.last != nil && (head.op == opCall || head.dropped):
			return nil, a.last
		case r.process() == nil && head.op == opRead:
			return nil, device.ErrClosed // the answer to the read says why
		case head.op == opRead || head.dropped || !mine:
			continue
		case a.flags&flagUnsupported != 0:
			return nil, device.ErrUnsupported
		case a.flags&flagFailed != 0 && a.errno != 0:
			return nil, fmt.Errorf("%s: %w", bytes.TrimSpace(a.payload), syscall.Errno(a.errno))
		case a.flags&flagFailed != 0:
			return nil, errors.New(string(a.payload))
		}
		return a.payload, nil
	}
}
