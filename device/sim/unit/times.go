package unit

import "time"

// Times of the mechanism; all of them invented.
const (
	trayTime = 1500 * time.Millisecond // for the tray to open or to close
	spinUp   = 4 * time.Second         // until a disc that was put in, or started, is ready
)
