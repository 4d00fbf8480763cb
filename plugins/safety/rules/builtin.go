package rules

import (
	"bytes"
	_ "embed" // the pack that comes with the module
)

//go:embed craft-safety.yaml
var builtIn []byte

// BuiltInText returns the text of the pack that comes with the module.
func BuiltInText() []byte { return bytes.Clone(builtIn) }
