package udf

import (
	"turnstone/device/sector"
)

// Flags of a file identifier (4/14.4.3).
const (
	flagHidden  = 1 << 0
	flagFolder  = 1 << 1
	flagDeleted = 1 << 2
	flagParent  = 1 << 3
)

const (
	identifierHead    = 38
	longestIdentifier = 4096 // UDF allows a block (2.3.4)
)

// identifier is a file identifier descriptor. Its name is not decoded yet, and
// lies in bytes that change after the call that it was given to.
type identifier struct {
	flags  byte
	entry  longAd
	name   []byte
	record sector.LBA // where it begins
}

// identifiers cuts the bytes of a directory into its identifiers.
type identifiers struct {
	v       *volume
	each    func(identifier)
	wrong   func(at sector.LBA) // something that is no identifier
	buf     []byte              // what is not cut yet
	marks   []mark              // where it lies
	aligned bool                // an identifier begins at its front
}

// mark tells in which sector the bytes of a buffer are, up to one of them.
type mark struct {
	end int
	at  sector.LBA
}

// where is the sector of byte i of the buffer.
func (c *identifiers) where(i int) sector.LBA {
	for _, m := range c.marks {
		if i < m.end {
			return m.at
		}
	}
	return 0
}

// drop takes the first n bytes off the buffer.
func (c *identifiers) drop(n int) {
	c.buf = append(c.buf[:0], c.buf[n:]...)
	kept := c.marks[:0]
	for _, m := range c.marks {
		if m.end -= n; m.end > 0 {
			kept = append(kept, m)
		}
	}
	c.marks = kept
}

// put adds bytes that lie in a sector; nil where some are missing.
func (c *identifiers) put(b []byte, at sector.LBA) {
	if b == nil {
		c.cut(true)
		c.drop(len(c.buf))
		c.aligned = false
		return
	}
	c.buf = append(c.buf, b...)
	c.marks = append(c.marks, mark{len(c.buf), at})
	c.cut(false)
}

// end tells that nothing follows.
func (c *identifiers) end() {
	c.cut(true)
	if len(c.buf) > 0 && c.aligned && !blank(c.buf) {
		c.wrong(c.where(0))
	}
}

// cut takes identifiers off the front of buf, as long as whole ones are there.
// Where it does not know where one begins it goes on, in steps of 4 bytes, to the
// next that its tag proves; last tells that what is incomplete stays so.
func (c *identifiers) cut(last bool) {
	done := 0
	for c.v.s.Err() == nil {
		b := c.buf[done:]
		if len(b) < identifierHead {
			break
		}
		n := 0
		if le.Uint16(b) == tagFID {
			n = (identifierHead + int(b[19]) + int(le.Uint16(b[36:])) + 3) &^ 3
		}
		if n > len(b) && n <= longestIdentifier && !last {
			break
		}
		if n == 0 || n > len(b) || !c.v.s.Work(1+n/64) || tagged(b[:n], anywhere) != tagFID {
			if c.aligned && !blank(b) {
				c.wrong(c.where(done))
			}
			c.aligned = false
			done += 4
			continue
		}
		c.aligned = true
		iu, record := int(le.Uint16(b[36:])), c.where(done)
		done += n
		c.each(identifier{b[18], readLong(b[20:]), b[identifierHead+iu : identifierHead+iu+int(b[19])], record})
	}
	c.drop(done)
}
