package device

import (
	"os/exec"
	"testing"
)

// What is there to be copied is one word at a shell, which the shell itself says.
func TestShellWord(t *testing.T) {
	for name, want := range map[string]string{
		"": "''", "case": "case", "/dev/sr0": "/dev/sr0", "/media/disc-1.x": "/media/disc-1.x", "my case": "'my case'",
		"/media/My Disc": "'/media/My Disc'", "o'neil": `'o'\''neil'`, "$HOME": "'$HOME'", "дом": "'дом'", "a\nb": "'a\nb'",
	} {
		got := ShellWord(name)
		if got != want {
			t.Errorf("ShellWord(%q) = %s; want %s", name, got, want)
		}
		if out, err := exec.Command("sh", "-c", "printf %s "+got).Output(); err != nil || string(out) != name {
			t.Errorf("the shell makes %q of %s, %v; want %q", out, got, err, name)
		}
	}
}
