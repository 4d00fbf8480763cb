package choice_test

import "github.com/commonvat/commonvat/plugins/mordant/choice"

// builtIn are the facts that come with the module.
func builtIn() *choice.Facts {
	f, err := choice.ParseFacts(choice.BuiltInText())
	if err != nil {
		panic(err) // the module would not start
	}
	return f
}
