package child

import (
	"fmt"

	"turnstone/device"
	"turnstone/device/sector"
)

// inParts has a backend read r into buf, part by part, until one does not come whole. It
// calls begin before each part, and reads no more where that says so, and end behind it.
func inParts(b Backend, r sector.Range, buf []byte, begin func(part sector.Range) bool, end func(part sector.Range, o Outcome)) {
	last := int64(0) // sectors of a part of which nothing came, for no reason
	for rest := r; !rest.Empty(); {
		part := b.Part(rest)
		if !begin(part) {
			return
		}
		o := b.Read(part, buf[(part.First - r.First).Offset():][:part.Bytes()])
		o.Good = min(max(o.Good, 0), part.Count())
		switch {
		case o.Good > 0:
			last = 0
		case o.Err == nil && last > 0 && part.Count() >= last:
			o.Err = &device.ReadError{Class: device.Refused, At: -1,
				Text: fmt.Sprintf("nothing of %v came, and nothing says why", part)}
		default:
			last = part.Count() // a drive that wants less at a time is asked for less
		}
		if o.Err != nil {
			o.Err.Asked = part
		}
		end(part, o)
		if o.Err != nil {
			return
		}
		rest.First += sector.LBA(o.Good)
	}
}

// Read has a backend read r into buf as a child does, without one, and gives the answer,
// but for the times and the drive's name.
func Read(b Backend, r sector.Range, buf []byte) device.Answer {
	a := device.Answer{Asked: r}
	good := int64(0)
	inParts(b, r, buf, func(sector.Range) bool { return true }, func(part sector.Range, o Outcome) {
		good += o.Good
		a.Err = o.Err
		if came := sector.Span(part.First, o.Good); o.Weak && !came.Empty() {
			a.Weak = append(a.Weak, came)
		}
	})
	a.Data = buf[:good*sector.Size]
	return a
}
