package scsi

// GetConfiguration asks for the drive's features, and which kind of disc is in.
type GetConfiguration struct {
	RT    uint8 // 2 bits: [AllFeatures], [CurrentFeatures], [OneFeature]
	Start FeatureCode
	Alloc uint16
}

// What GET CONFIGURATION returns.
const (
	AllFeatures     = 0 // from Start on
	CurrentFeatures = 1 // from Start on, those that the disc in the drive allows
	OneFeature      = 2 // Start alone
)

func (r GetConfiguration) Command() Command {
	c := build(OpGetConfiguration, FromUnit, int64(r.Alloc))
	c.cdb[1] = r.RT & 3
	be.PutUint16(c.cdb[2:], uint16(r.Start))
	be.PutUint16(c.cdb[7:], r.Alloc)
	return c
}

func decodeGetConfiguration(c []byte) Request {
	return GetConfiguration{RT: c[1] & 3, Start: FeatureCode(be.Uint16(c[2:])), Alloc: be.Uint16(c[7:])}
}

// Configuration is the response to GET CONFIGURATION.
//
//	0        4      6         8
//	+--------+------+---------+-----------+-----------+----
//	| length |      | profile | feature   | feature   | …
//	+--------+------+---------+-----------+-----------+----
//
//	feature  0      2         3        4
//	         +------+---------+--------+------------------+
//	         | code | version | length | length bytes     |
//	         |      | P C     |        |                  |
//	         +------+---------+--------+------------------+
type Configuration struct {
	Current  Profile // of the disc in the drive
	Features []Feature
}

// Feature is one thing that the drive can do.
type Feature struct {
	Code       FeatureCode
	Version    uint8  // 4 bits
	Persistent bool   // always current
	Current    bool   // it holds now, with this disc
	Data       []byte // what it says, 255 bytes at most
}

const (
	configHead  = 8
	featureHead = 4
)

// ParseConfiguration reads the response. ErrShort is returned below 8 bytes,
// ErrTruncated with the features that came whole.
func ParseConfiguration(b []byte) (Configuration, error) {
	b, err := claimed32("configuration", b, configHead)
	if b == nil {
		return Configuration{}, err
	}
	c := Configuration{Current: Profile(be.Uint16(b[6:]))}
	for b = b[configHead:]; len(b) >= featureHead; {
		f, cut := claimed("feature", b, featureHead, featureHead+int64(b[3]))
		if cut != nil {
			return c, cut
		}
		c.Features = append(c.Features, Feature{
			Code: FeatureCode(be.Uint16(f)), Version: f[2] >> 2 & 15,
			Persistent: has(f[2], 1), Current: has(f[2], 0),
			Data: append([]byte(nil), f[featureHead:]...),
		})
		b = b[len(f):]
	}
	return c, err
}

// Append appends the response; of each feature's data no more than 255 bytes.
func (c Configuration) Append(b []byte) []byte {
	at := len(b)
	b, h := grow(b, configHead)
	be.PutUint16(h[6:], uint16(c.Current))
	for _, f := range c.Features {
		data := f.Data[:min(len(f.Data), 255)]
		b = be.AppendUint16(b, uint16(f.Code))
		b = append(b, f.Version&15<<2|flag(f.Persistent, 1)|flag(f.Current, 0), byte(len(data)))
		b = append(b, data...)
	}
	be.PutUint32(b[at:], uint32(len(b)-at-4))
	return b
}

// Feature is the feature of that code.
func (c Configuration) Feature(code FeatureCode) (Feature, bool) {
	for _, f := range c.Features {
		if f.Code == code {
			return f, true
		}
	}
	return Feature{}, false
}

// Select is what a drive answers to r: its features from r.Start on, all, those
// current or just that one.
func (c Configuration) Select(r GetConfiguration) Configuration {
	out := Configuration{Current: c.Current}
	for _, f := range c.Features {
		if f.Code < r.Start || r.RT == CurrentFeatures && !f.Current || r.RT == OneFeature && f.Code != r.Start {
			continue
		}
		out.Features = append(out.Features, f)
	}
	return out
}
