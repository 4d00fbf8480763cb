package main

import "runtime/debug"

// release is set when a release is built; a build from a working tree tells its commit instead.
var release = ""

func version() string {
	if release != "" {
		return release
	}
	info, ok := debug.ReadBuildInfo()
	if !ok {
		return "unknown"
	}
	text, revision, modified := "development", "", false
	for _, setting := range info.Settings {
		switch setting.Key {
		case "vcs.revision":
			revision = setting.Value
		case "vcs.modified":
			modified = setting.Value == "true"
		}
	}
	if len(revision) >= 12 {
		text += " " + revision[:12]
	}
	if modified {
		text += ", modified"
	}
	return text
}
