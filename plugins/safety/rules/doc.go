// Package rules judges the steps of a plan by rule packs: data whose conditions are written in the Common Expression Language
// (https://cel.dev), over a closed list of fields.
//
// Judging is three-valued. A fact that isn't known is unknown, never false: a stop that hangs on it is told as a question, and the step isn't clear
// until it is answered. A doubtful fact can make a rule fire, and can't keep one silent. A figure known as an interval fires a rule when any
// value of the interval would. A rule that is itself in doubt fires like any other.
//
// What a pack says is no substitute for safety data sheets, local rules and licensed practice; a plan that no rule stops isn't thereby safe.
package rules
