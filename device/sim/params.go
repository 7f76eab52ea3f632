package sim

// Every number of this file is invented or common practice: no standard and no
// measurement stands behind it. What a standard gives comes from package spiral.

// What light is left, and what a drive makes of it.
const (
	fadeDepth = 12.0 // µm: a scratch this deep scatters 1 − 1/e of the light that meets it; invented

	usualMargin = 0.45 // share of the light below which a row fails; invented
	usualNoise  = 0.06 // standard deviation of that; invented
	usualServo  = 0.25 // share of the light below which the servo goes blind; invented
	blindRows   = 4    // rows running under it at which the track is lost; invented
	noiseRows   = 2    // rows that share a noise draw; invented
	slowRelief  = 0.01 // lowers the margin at 2x; invented
)

// What treatments do. No advice, chart or report on a real disc uses these.
const (
	coverDepth = 6.0  // µm of material that take 1 − 1/e of an old haze away; invented
	clearTime  = 30.0 // s of polishing that take 1 − 1/e of a haze away; invented
	polishRate = 0.5  // µm of material a minute of polishing; invented

	unevenness  = 0.35 // of polishing; invented
	waves       = 5    // that it is made of; invented
	waveHeight  = 0.8  // of each; invented
	leastPolish = 0.1  // share of the even polishing that comes everywhere; invented
	waveRadial  = 0.25 // waves on a mm of radius at most; invented
	waveAround  = 8    // waves on a turn at most, 1 at least; invented

	deepestWork = 300.0 // µm that all treatments together may take off, half the substrate of a DVD; invented
)

// grits are the sandings that the model knows.
var grits = []struct {
	grit int
	off  float64 // µm a stroke; invented
	haze float64 // density that it leaves; invented
}{
	{2000, 12, 3.0},
	{3000, 4, 1.2},
}

// How a drive goes about reading.
const (
	usualRetries = 16      // retries of a drive that is not told otherwise; invented
	climb        = 8 << 20 // bytes without failure that step the speed up; invented
	passOver     = 32      // blocks ahead that are passed over if that is less than moving; invented
	moveBase     = 0.060   // s of each move; invented
	moveFar      = 0.090   // s more for a move over moveSpan; invented
	moveSpan     = 34.0    // mm, from 24 to 58
	retryTurns   = 1.2     // turns of each attempt but the first; invented
	failTime     = 0.1     // s more where no attempt helped; invented

	leastLost, mostLost   = 3.0, 9.0   // s of a lost track; invented
	usualStall            = 0.02       // chance that the drive stalls at a lost track; invented
	leastStall, mostStall = 40.0, 90.0 // s of a stall; invented

	longestRead = 256 // sectors of one command, 512 KiB; invented
)

// The speeds of a drive as multiples of 1x, fastest first; invented.
var (
	dvdLadder = []int{16, 12, 8, 6, 4, 2}
	cdLadder  = []int{48, 40, 32, 24, 16, 8, 4}
)

// How the pitch wanders where a scenario says no more than that it does.
const (
	usualWander       = 0.001 // µm; invented
	usualWanderLength = 5.0   // mm; invented
)

// How scratches are drawn that wear has made.
const (
	wearPoints = 7    // of a scratch; invented
	wearBend   = 0.25 // standard deviation of a scratch's bend from end to end, in radians; invented
)

// The 1x unit of programs that burn DVDs, and the radius at which a drive that
// turns evenly reaches the rate that it is sold by.
const (
	dvdUnit    = 1.385e6 // bytes a second
	cdUnit     = 176.4e3 // 75 sectors of 2,352 bytes
	rateRadius = 58.0    // mm
)
