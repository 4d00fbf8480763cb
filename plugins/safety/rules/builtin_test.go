package rules_test

import "github.com/commonvat/commonvat/plugins/safety/rules"

// builtIn is the pack that comes with the module.
func builtIn() *rules.Pack {
	p, err := rules.ParsePack(rules.BuiltInText())
	if err != nil {
		panic(err) // the module would not start
	}
	return p
}
