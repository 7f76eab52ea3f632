package dvd

import "crypto/subtle"

// presets is what the shift register begins with, by bits 7 to 4 of the ID. From
// memory of ECMA-267 clause 17; a test shows that they are 16 successive places of
// one sequence, which no slip of memory would leave so.
var presets = [16]uint16{
	0x0001, 0x5500, 0x0002, 0x2A00, 0x0004, 0x5400, 0x0008, 0x2800,
	0x0010, 0x5000, 0x0020, 0x2001, 0x0040, 0x4002, 0x0080, 0x0005,
}

// mask is what scrambling by one preset adds to a frame.
type mask struct {
	stream [MainSize]byte
	edc    uint32 // EDC of a whole frame that holds nothing but the stream
}

var masks = makeMasks()

func makeMasks() *[16]mask {
	m := new([16]mask)
	var frame [FrameSize]byte
	for i, preset := range presets {
		register := preset
		for k := range m[i].stream {
			m[i].stream[k] = byte(register)
			for range 8 {
				register = register<<1&0x7FFF | (register>>14^register>>10)&1
			}
		}
		copy(frame[mainAt:edcAt], m[i].stream[:])
		m[i].edc = EDC(frame[:])
	}
	return m
}

// scramble adds the mask that the frame's own ID chooses. Twice is nothing.
func scramble(frame []byte) {
	main := frame[mainAt:edcAt]
	subtle.XORBytes(main, main, masks[frameID(frame).preset()].stream[:])
}
