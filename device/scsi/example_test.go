package scsi_test

import (
	"fmt"

	"turnstone/device/scsi"
)

func Example() {
	c := scsi.Read12{LBA: 0x1230, Blocks: 16, FUA: true}.Command()
	fmt.Println(c)
	fmt.Println(c.Len(), "bytes", c.Direction())

	// What a drive answered.
	s, err := scsi.ParseSense([]byte{
		0xF0, 0, 3, 0, 0, 0x12, 0x34, 10, 0, 0, 0, 0, 0x11, 0x05, 0, 0, 0, 0})
	if err != nil {
		fmt.Println(err)
		return
	}
	m := s.Meaning()
	fmt.Println(s)
	fmt.Printf("%v: %v\n", m.Class, m.Advice)
	// Output:
	// READ(12) A8 08 00 00 12 30 00 00 00 10 00 00
	// 32768 bytes from the drive
	// 3/11/05 L-EC uncorrectable error at 4660
	// medium error: leave it for another pass or another surface
}

// A drive's side: a block is read back, a setting refused.
func ExampleParse() {
	for _, cdb := range [][]byte{
		{0x28, 0, 0, 0, 0, 16, 0, 0, 8, 0},
		{0x55, 0x11, 0, 0, 0, 0, 0, 0, 20, 0}, // with SP, which would save it
	} {
		r, err := scsi.Parse(cdb)
		switch r := r.(type) {
		case scsi.Read10:
			fmt.Println("read", r.Blocks, "blocks from", r.LBA)
		default:
			fmt.Println(err)
		}
	}
	// Output:
	// read 8 blocks from 16
	// scsi: MODE SELECT(10): invalid field in byte 1
}

// Settings change only where the drive lets them.
func ExampleModePage_Change() {
	current := scsi.Recovery{Flags: scsi.AWRE, ReadRetries: 32}.Page()
	changeable := scsi.Recovery{ReadRetries: 255}.Page()

	wanted := scsi.Recovery{Flags: scsi.PER, ReadRetries: 1}.Onto(current)
	set, list, err := scsi.SelectMode(current.Change(wanted, changeable))
	if err != nil {
		fmt.Println(err)
		return
	}
	fmt.Println(set.Command())
	fmt.Printf("% X\n", list)
	// Output:
	// MODE SELECT(10) 55 10 00 00 00 00 00 00 14 00
	// 00 00 00 00 00 00 00 00 01 0A 80 01 00 00 00 00 00 00 00 00
}
