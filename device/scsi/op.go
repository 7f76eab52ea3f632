package scsi

import "fmt"

// Op is an operation code, the first byte of a command.
type Op uint8

// The operation codes of this package. There is none that writes, formats,
// blanks, closes or finalises, and none that deals with the keys of protected
// titles; a test holds the list against the package's own source. Values as in
// linux/cdrom.h (GPCMD_…), which a test reads.
const (
	OpTestUnitReady        Op = 0x00
	OpRequestSense         Op = 0x03
	OpInquiry              Op = 0x12
	OpStartStopUnit        Op = 0x1B
	OpPreventAllow         Op = 0x1E
	OpReadCapacity         Op = 0x25
	OpRead10               Op = 0x28
	OpSeek10               Op = 0x2B
	OpReadTOC              Op = 0x43
	OpGetConfiguration     Op = 0x46
	OpGetEventStatus       Op = 0x4A
	OpReadDiscInformation  Op = 0x51
	OpReadTrackInformation Op = 0x52
	OpModeSelect10         Op = 0x55
	OpModeSense10          Op = 0x5A
	OpRead12               Op = 0xA8
	OpGetPerformance       Op = 0xAC
	OpReadDiscStructure    Op = 0xAD
	OpSetStreaming         Op = 0xB6
	OpSetCDSpeed           Op = 0xBB
	OpMechanismStatus      Op = 0xBD
	OpReadCD               Op = 0xBE
)

// commands is what there is, with the names of SPC and MMC.
var commands = map[Op]struct {
	name   string
	decode func(cdb []byte) Request
}{
	OpTestUnitReady:        {"TEST UNIT READY", decodeTestUnitReady},
	OpRequestSense:         {"REQUEST SENSE", decodeRequestSense},
	OpInquiry:              {"INQUIRY", decodeInquiry},
	OpStartStopUnit:        {"START STOP UNIT", decodeStartStopUnit},
	OpPreventAllow:         {"PREVENT ALLOW MEDIUM REMOVAL", decodePreventAllow},
	OpReadCapacity:         {"READ CAPACITY", decodeReadCapacity},
	OpRead10:               {"READ(10)", decodeRead10},
	OpSeek10:               {"SEEK(10)", decodeSeek10},
	OpReadTOC:              {"READ TOC/PMA/ATIP", decodeReadTOC},
	OpGetConfiguration:     {"GET CONFIGURATION", decodeGetConfiguration},
	OpGetEventStatus:       {"GET EVENT STATUS NOTIFICATION", decodeGetEventStatus},
	OpReadDiscInformation:  {"READ DISC INFORMATION", decodeReadDiscInformation},
	OpReadTrackInformation: {"READ TRACK INFORMATION", decodeReadTrackInformation},
	OpModeSelect10:         {"MODE SELECT(10)", decodeModeSelect10},
	OpModeSense10:          {"MODE SENSE(10)", decodeModeSense10},
	OpRead12:               {"READ(12)", decodeRead12},
	OpGetPerformance:       {"GET PERFORMANCE", decodeGetPerformance},
	OpReadDiscStructure:    {"READ DISC STRUCTURE", decodeReadDiscStructure},
	OpSetStreaming:         {"SET STREAMING", decodeSetStreaming},
	OpSetCDSpeed:           {"SET CD SPEED", decodeSetCDSpeed},
	OpMechanismStatus:      {"MECHANISM STATUS", decodeMechanismStatus},
	OpReadCD:               {"READ CD", decodeReadCD},
}

// String is the command's name as SPC or MMC has it.
func (o Op) String() string {
	if c, ok := commands[o]; ok {
		return c.name
	}
	return fmt.Sprintf("operation code %02Xh", uint8(o))
}

// Size is the length of the command's block in bytes: the upper three bits of an
// operation code are its group (SPC; groups 3, 4, 6 and 7 have no length of
// their own and do not occur here: 0).
func (o Op) Size() int {
	switch o >> 5 {
	case 0:
		return 6
	case 1, 2:
		return 10
	case 5:
		return 12
	}
	return 0
}

// Direction is which way a command's data goes.
type Direction uint8

const (
	NoData   Direction = iota
	FromUnit           // the drive sends: data-in in SPC
	ToUnit             // the host sends: data-out in SPC
)

// String is the direction in words.
func (d Direction) String() string {
	switch d {
	case FromUnit:
		return "from the drive"
	case ToUnit:
		return "to the drive"
	}
	return "no data"
}
