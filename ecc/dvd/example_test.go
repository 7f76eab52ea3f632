package dvd_test

import (
	"fmt"

	"turnstone/ecc/dvd"
	"turnstone/ecc/rs"
)

// Sixteen sectors become a block, a scratch takes twenty of its rows, and what
// can be had of it comes back.
func Example() {
	frames := make([]byte, dvd.Sectors*dvd.FrameSize)
	main := make([]byte, dvd.MainSize)
	for s := range dvd.Sectors {
		copy(main, fmt.Sprintf("sector %d", s))
		err := dvd.BuildFrame(frames[s*dvd.FrameSize:][:dvd.FrameSize], dvd.FirstPSN+dvd.ID(s), [6]byte{}, main)
		if err != nil {
			fmt.Println(err)
		}
	}
	codec, block := dvd.NewCodec(), make([]byte, dvd.BlockSize)
	if err := codec.Encode(block, frames); err != nil {
		fmt.Println(err)
	}

	for i := 60 * dvd.RowSize; i < 80*dvd.RowSize; i++ {
		block[i] ^= byte(i%251 + 1)
	}

	res, err := codec.Decode(block)
	if err != nil {
		fmt.Println(err)
	}
	fmt.Println("rows failed:", res.RowsFailed, "sectors readable:", res.Readable())
	frame := make([]byte, dvd.FrameSize)
	for s := 2; s < 8; s++ {
		fmt.Printf("%d is %v", s, res.Sectors[s])
		if res.Sectors[s] != rs.Uncorrectable {
			if err := dvd.ReadFrame(frame, block, s); err != nil {
				fmt.Println(err)
			}
			fmt.Printf(": %.8s", dvd.Main(frame))
		}
		fmt.Println()
	}
	// Output:
	// rows failed: 20 sectors readable: 13
	// 2 is clean: sector 2
	// 3 is clean: sector 3
	// 4 is uncorrectable
	// 5 is uncorrectable
	// 6 is uncorrectable
	// 7 is clean: sector 7
}
