// Package conformance tries a module of any language from outside.
package conformance
