// Package imager runs the job: it owns the case, the order of writes and the
// run of a pass.
//
// A case is one disc's folder:
//
//	CASE/
//	  image.iso      raw sectors, sparse, as long as the disc
//	  map.db         the map (package mapfile)
//	  lock           held by whoever writes; its process id and command inside
//	  status.json    what status --json says; while a pass runs, as of the last checkpoint
//	  form2.bin      of a CD: sectors with more bytes than fit the image (formtwo.go)
//	  kept/          readings.raw: raw readings of a CD's missing sectors (rawshelf.go);
//	                 pass-N.iso: what pass N brought and the image does not have,
//	                 the other side of a conflict; sparse, each sector in its place
//	  files/         SHA256SUMS: the sums of the whole files (sums.go)
//	  image.sha256   the sum of the image (imagesum.go)
//
// In the end its data is discarded and its figures kept (discard.go).
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
// A merge has other cases, pass files and raw images in the place of the drive, and the
// same steps from the image on (intake); so has what is decided about a conflict. Packing
// goes the first half of the way:
//
//	Source ──sectors that hold against its checksums──▶ image, or kept/ where the
//	                                        │           image has other data
//	                                        └─────────▶ pass file (package pack)
//	kept/ ──the side that was decided for──▶ image (settle.go)
//
// The image is written as sectors come, the map only at a checkpoint, and only
// with what was in the image before that checkpoint's sync began. So the map
// never calls a sector good that a power cut could take away; what a cut costs is
// the work since the last checkpoint, which is then simply not good yet.
//
// Nothing here prints, reads the environment or takes the time other than
// through a field.
package imager
