package rules

import (
	"bytes"
	_ "embed" // the pack that comes with the module
)

//go:embed craft-safety.yaml
var builtIn []byte

// BuiltIn returns the pack that comes with the module.
func BuiltIn() *Pack {
	p, err := ParsePack(builtIn)
	if err != nil {
		panic(err) // a test reads it
	}
	return p
}

// BuiltInText returns the text of the pack that comes with the module.
func BuiltInText() []byte { return bytes.Clone(builtIn) }
