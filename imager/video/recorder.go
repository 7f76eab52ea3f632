package video

import "bytes"

// Camcorders and recorders keep all recordings of a disc in one long program stream,
// VR_MOVIE.VRO, and what they are called, when they were made and where they begin in
// VR_MANGR.IFO, in the folder DVD_RTAV (DVD-VR). How that file is laid out is not
// among the facts that this package was built on: it is recognised, and not read. The
// stream is cut into takes where its clock breaks instead, which is where a recording
// ends; edits, titles and dates are not told.

// RecorderInfo tells whether a file that begins with b is the management file of
// DVD-VR, by how it begins [memory].
func RecorderInfo(b []byte) bool { return bytes.HasPrefix(b, []byte("DVD_RTR_VMG0")) }
