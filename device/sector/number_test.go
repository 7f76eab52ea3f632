package sector

import "testing"

func TestThousands(t *testing.T) {
	for _, c := range []struct {
		n    int64
		want string
	}{
		{0, "0"}, {7, "7"}, {999, "999"}, {1000, "1,000"}, {2298496, "2,298,496"}, {100000, "100,000"},
		{-7, "-7"}, {-999, "-999"}, {-1000, "-1,000"}, {-100000, "-100,000"}, {-1 << 63, "-9,223,372,036,854,775,808"},
	} {
		if got := Thousands(c.n); got != c.want {
			t.Errorf("Thousands(%d) = %q; want %q", c.n, got, c.want)
		}
	}
}
