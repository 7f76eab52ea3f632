package scsi

// verdict is what a rule says.
type verdict struct {
	class  Class
	advice Advice
}

// keyRules hold where no rule of a code does.
var keyRules = [16]verdict{
	NoSense:        {NoError, NoAdvice},
	RecoveredError: {Recovered, NoteWeak},
	NotReadyKey:    {NotReady, WaitBriefly},
	MediumError:    {Medium, LeaveBad},
	HardwareError:  {Hardware, ResetDrive},
	IllegalRequest: {Refused, DoWithout},
	UnitAttention:  {Changed, Identify}, // of an unknown kind: the careful answer
	DataProtect:    {Protected, GiveUp},
	BlankCheck:     {Unwritten, CallUnrecorded},
	VendorKey:      {Hardware, ResetDrive},
	CopyAborted:    {Aborted, AskAgain},
	AbortedCommand: {Aborted, AskAgain},
	reservedKey:    {Hardware, ResetDrive},
	VolumeOverflow: {Refused, ClipRange},
	Miscompare:     {Aborted, AskAgain},
	CompletedKey:   {NoError, NoAdvice},
}

// rule is a verdict about codes, under some keys.
type rule struct {
	keys uint16 // a bit for each
	asc  uint8
	ascq int // anyQualifier: all that have no rule of their own under that key
	verdict
}

const anyQualifier = -1

// Keys under which a rule holds.
const (
	underNotReady  = 1 << NotReadyKey
	underMedium    = 1 << MediumError
	underHardware  = 1 << HardwareError
	underIllegal   = 1 << IllegalRequest
	underAttention = 1 << UnitAttention
	underAll       = 0xFFFF &^ (1 << RecoveredError) // whatever was recovered is good
)

// senseRules are in the order of not ready, medium, hardware, illegal request and
// unit attention. The codes are SPC's; what to do is ours.
//
// A drive that can't follow the track says so under key 3 or 4 [memory]. Under 3
// it blames the disc; under 4 itself, which a scratch can make it do, so that it
// is read elsewhere first, and only a drive that fails there too is reset.
var senseRules = []rule{
	{underNotReady, 0x04, 0x00, verdict{NotReady, WaitBriefly}},
	{underNotReady, 0x04, 0x01, verdict{NotReady, Wait}},
	{underNotReady, 0x04, 0x02, verdict{NotReady, StartUnit}},
	{underNotReady, 0x04, 0x03, verdict{NotReady, Attend}},
	{underNotReady, 0x04, 0x04, verdict{NotReady, WaitLong}},
	{underNotReady, 0x04, 0x07, verdict{NotReady, Wait}},
	{underNotReady, 0x04, 0x08, verdict{NotReady, Wait}},
	{underNotReady, 0x04, 0x09, verdict{NotReady, Wait}},
	{underNotReady, 0x04, 0x1A, verdict{NotReady, Wait}},
	{underNotReady | underAttention, 0x3A, anyQualifier, verdict{NoMedium, LoadDisc}},
	{underNotReady, 0x3E, anyQualifier, verdict{NotReady, GiveUp}},
	{underNotReady | underMedium | underIllegal, 0x30, anyQualifier, verdict{Unrecognised, GiveUp}},
	{underNotReady | underMedium, 0x06, 0x00, verdict{Track, TryLater}},

	{underMedium, 0x02, anyQualifier, verdict{Track, TryLater}},
	{underMedium, 0x09, anyQualifier, verdict{Track, TryLater}},
	{underMedium, 0x15, anyQualifier, verdict{Track, TryLater}},
	{underMedium, 0x10, anyQualifier, verdict{Medium, LeaveBad}},
	{underMedium, 0x11, anyQualifier, verdict{Medium, LeaveBad}},
	{underMedium, 0x11, 0x06, verdict{Medium, TryRaw}},
	{underMedium, 0x11, 0x0F, verdict{Refused, Ignore}},
	{underMedium, 0x11, 0x10, verdict{Refused, Ignore}},
	{underMedium, 0x11, 0x11, verdict{Aborted, NoStreaming}},
	{underMedium, 0x12, anyQualifier, verdict{Medium, LeaveBad}},
	{underMedium, 0x13, anyQualifier, verdict{Medium, LeaveBad}},
	{underMedium, 0x14, anyQualifier, verdict{Medium, LeaveBad}},
	{underMedium, 0x16, anyQualifier, verdict{Medium, LeaveBad}},
	{underMedium, 0x31, anyQualifier, verdict{Unrecognised, ReadBlindly}},
	{underMedium | underIllegal, 0x57, anyQualifier, verdict{Unrecognised, FindSize}},
	// Errors of writing: no host that only reads can cause them.
	{underMedium | underHardware, 0x03, anyQualifier, verdict{Hardware, GiveUp}},
	{underMedium | underHardware, 0x0C, anyQualifier, verdict{Hardware, GiveUp}},

	{underHardware, 0x02, anyQualifier, verdict{Hardware, TryLater}},
	{underHardware, 0x06, anyQualifier, verdict{Hardware, TryLater}},
	{underHardware, 0x09, anyQualifier, verdict{Hardware, TryLater}},
	{underHardware, 0x15, anyQualifier, verdict{Hardware, TryLater}},

	{underIllegal, 0x20, anyQualifier, verdict{Refused, DoWithout}},
	{underIllegal, 0x21, anyQualifier, verdict{Refused, ClipRange}},
	{underIllegal, 0x24, anyQualifier, verdict{Refused, AskLess}},
	{underIllegal, 0x26, anyQualifier, verdict{Refused, AskLess}},
	{underIllegal, 0x39, anyQualifier, verdict{Refused, DoWithout}},
	{underIllegal, 0x53, 0x02, verdict{Refused, Unlock}},
	{underIllegal, 0x63, anyQualifier, verdict{Refused, ClipRange}},
	{underIllegal, 0x64, anyQualifier, verdict{Refused, UseReadCD}},
	{underIllegal, 0x6F, anyQualifier, verdict{Protected, LeaveAlone}},

	{underAttention, 0x28, anyQualifier, verdict{Changed, Identify}},
	{underAttention, 0x29, anyQualifier, verdict{Reset, Reapply}},
	{underAttention, 0x2A, anyQualifier, verdict{Notice, Reread}},
	{underAttention, 0x2F, anyQualifier, verdict{Notice, AskAgain}},
	{underAttention, 0x3F, anyQualifier, verdict{Reset, Reapply}}, // firmware or INQUIRY data: perhaps another drive
	{underAttention, 0x5A, anyQualifier, verdict{Notice, AskAgain}},
	{underAttention, 0x5A, 0x01, verdict{Notice, LetGo}},
	{underAttention, 0x5E, anyQualifier, verdict{Notice, Reread}},

	{underAll, 0x2E, anyQualifier, verdict{Aborted, AskLess}},
}
