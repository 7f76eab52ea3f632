package scsi

import (
	"bytes"
	"errors"
	"fmt"
)

// Command is a command as it goes out: its block, and how much data goes which
// way with it. Only the requests of this package make commands, so that no other
// operation code can be in one. The zero value is TEST UNIT READY.
type Command struct {
	cdb    [12]byte
	dir    Direction
	length int64
}

// Op is the operation code.
func (c Command) Op() Op { return Op(c.cdb[0]) }

// Name is the command's name as SPC or MMC has it.
func (c Command) Name() string { return c.Op().String() }

// CDB is the command descriptor block, 6, 10 or 12 bytes, a copy.
func (c Command) CDB() []byte { return bytes.Clone(c.cdb[:c.Op().Size()]) }

// Direction is which way the data goes; NoData where Len is 0.
func (c Command) Direction() Direction { return c.dir }

// Len is the most bytes of data that go with the command: the allocation length,
// blocks times their length, or the length of the list sent. A READ's may be
// larger than any host takes.
func (c Command) Len() int64 { return c.length }

// String is the name and the block: "READ(10) 28 00 00 00 …".
func (c Command) String() string { return fmt.Sprintf("%s % X", c.Name(), c.cdb[:c.Op().Size()]) }

// build is the one place where a command begins.
func build(op Op, dir Direction, length int64) Command {
	c := Command{dir: dir, length: length}
	if length == 0 {
		c.dir = NoData
	}
	c.cdb[0] = byte(op)
	return c
}

// Request is what a command asks, field by field; one type for each operation
// code. A value wider than its field in the block loses what does not fit, in the
// block and in Len alike.
type Request interface {
	// Command is the command that asks it.
	Command() Command
}

// Errors of blocks and responses.
var (
	// ErrOpcode is returned when a block's operation code is none of this
	// package's, or there is no block (SPC: 5/20/00).
	ErrOpcode = errors.New("scsi: no such command")
	// ErrShort is returned when a response ends before what it can't do without,
	// or says of itself that it does. Nothing is returned with it.
	ErrShort = errors.New("scsi: response too short")
	// ErrTruncated is returned, together with what came, when a response's own
	// lengths reach beyond its end. What came is right as far as it goes.
	ErrTruncated = errors.New("scsi: response cut short")
	// ErrFormat is returned when a response is another than the one it is read
	// as: response code, page code or class.
	ErrFormat = errors.New("scsi: not that response")
)

// FieldError is returned when a block has something that this package's requests
// don't know: a reserved bit, a control byte, MODE SELECT's SP. A drive would
// answer 5/24/00, invalid field in CDB, see [FieldError.Sense].
type FieldError struct {
	Op   Op
	Byte int // the first byte that is wrong; the block's length where that is wrong
}

// Error names the command and the byte.
func (e *FieldError) Error() string {
	return fmt.Sprintf("scsi: %v: invalid field in byte %d", e.Op, e.Byte)
}

// Sense is what a drive answers to such a block, the field pointer included.
func (e *FieldError) Sense() Sense {
	return Sense{Key: IllegalRequest, ASC: 0x24, Specific: FieldPointer(true, e.Byte)}
}

// Parse reads a block back. ErrOpcode and *FieldError are returned when it is
// none that this package makes; so whatever parses is made again byte for byte
// by its Command.
func Parse(cdb []byte) (Request, error) {
	if len(cdb) == 0 {
		return nil, ErrOpcode
	}
	op := Op(cdb[0])
	known, ok := commands[op]
	if !ok {
		return nil, fmt.Errorf("%w: %v", ErrOpcode, op)
	}
	if len(cdb) != op.Size() {
		return nil, &FieldError{op, min(len(cdb), op.Size())}
	}
	r := known.decode(cdb)
	again := r.Command()
	for i, b := range cdb {
		if again.cdb[i] != b {
			return nil, &FieldError{op, i}
		}
	}
	return r, nil
}
