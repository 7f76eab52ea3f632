// Package imager runs the job: it owns the case, the order of writes and the
// run of a pass.
//
// A case is one disc's folder:
//
//	CASE/
//	  image.iso      raw sectors, sparse, as long as the disc
//	  map.db         the map (package mapfile)
//	  lock           held by whoever writes; its process id and command inside
//	  status.json    what status --json says, as of the last checkpoint
//
// How a sector travels:
//
//	plan ──request──▶ device.Reader ──answer──▶ judge ──outcome──▶ plan
//	                                              │
//	                     image ◀──sectors─────────┤
//	                                              ▼
//	                                           epoch: what came since the last checkpoint
//	                                              │
//	         checkpoint: sync image, then commit the epoch to the map, then status.json
//
// The image is written as sectors come, the map only at a checkpoint, and only
// with what was in the image before that checkpoint's sync began. So the map
// never calls a sector good that a power cut could take away; what a cut costs is
// the work since the last checkpoint, which is then simply not good yet.
//
// Nothing here prints, reads the environment or takes the time other than
// through a field.
package imager
