package device

import "strings"

// ShellWord is a name as one word at a shell, for commands that are there to be
// copied, such as those of an OpenError's Cure.
func ShellWord(name string) string {
	const plain = "abcdefghijklmnopqrstuvwxyzABCDEFGHIJKLMNOPQRSTUVWXYZ0123456789/._-+@:,"
	if name != "" && strings.Trim(name, plain) == "" {
		return name
	}
	return "'" + strings.ReplaceAll(name, "'", `'\''`) + "'"
}
