package config

import (
	"crypto/tls"
	"crypto/x509"
	"fmt"
	"os"
	"slices"
	"strings"
)

// Source is where a value came from: "flag --data", "variable COMMONVATD_DATA", "FILE:3" or "default".
type Source string

// FromDefault is the source of a value that nobody set.
const FromDefault Source = "default"

// Fault is one thing that is wrong with what the core was told.
type Fault struct {
	Key     string // dotted as in the file; "" for a fault of the file as a whole
	Value   string // as it was given
	Problem string // what is wrong with it
	Allowed string // "" where the problem says it
	Source  Source
}

// Error implements error: one line.
func (f Fault) Error() string {
	var b strings.Builder
	if f.Key != "" {
		b.WriteString(f.Key + ": ")
	}
	if f.Value != "" {
		fmt.Fprintf(&b, "%.200q ", f.Value)
	}
	b.WriteString(f.Problem)
	if f.Allowed != "" {
		b.WriteString("; allowed: " + f.Allowed)
	}
	if f.Source != "" {
		b.WriteString(" (" + string(f.Source) + ")")
	}
	return b.String()
}

// Faults is everything that is wrong, in the order of the keys.
type Faults []Fault

// Error implements error: one fault a line.
func (f Faults) Error() string {
	lines := make([]string, len(f))
	for i, fault := range f {
		lines[i] = fault.Error()
	}
	return strings.Join(lines, "\n")
}

// Unwrap gives each fault.
func (f Faults) Unwrap() []error {
	errs := make([]error, len(f))
	for i, fault := range f {
		errs[i] = fault
	}
	return errs
}

// Input is what is told, from the strongest to the weakest.
type Input struct {
	Flags      map[string]string // those that were given, by the flag's name without dashes
	Environ    []string          // NAME=VALUE; variables of others are not looked at
	File       string            // of the flag; "" means the variable's, if there is one
	RuntimeDir string            // the default of runtime_dir
}

// Value is one key as it was resolved.
type Value struct {
	Key    string `json:"key"`
	Value  string `json:"value"`
	Source Source `json:"source"`
}

// Resolved is the configuration, and for people where each value came from.
type Resolved struct {
	Config Config
	File   string // "" when there is none
	Values []Value
}

// Flag is a flag of `commonvatd serve`.
type Flag struct{ Name, Usage, Default string }

// Flags lists the flags that stand for keys.
func Flags(runtimeDir string) []Flag {
	var flags []Flag
	for _, k := range keys(runtimeDir) {
		flags = append(flags, Flag{Name: k.flag(), Usage: k.usage, Default: k.preset})
	}
	return flags
}

// resolver collects what each source says.
type resolver struct {
	keys   []key
	given  map[string]Value // by key
	faults Faults
}

// Load resolves and checks. Its error is Faults; what could be resolved is returned all the same, for people to look at.
func Load(in Input) (*Resolved, error) {
	r := &resolver{keys: keys(in.RuntimeDir), given: map[string]Value{}}
	variables := r.variables(in.Environ)
	path, from := in.File, Source("flag --config")
	if path == "" {
		path, from = variables[FileVariable], Source("variable "+FileVariable)
	}
	delete(variables, FileVariable)
	if path != "" {
		r.file(path, from)
	}
	for _, k := range r.keys {
		if text, ok := variables[k.variable()]; ok {
			r.given[k.name] = Value{Key: k.name, Value: text, Source: Source("variable " + k.variable())}
		}
		if text, ok := in.Flags[k.flag()]; ok {
			r.given[k.name] = Value{Key: k.name, Value: text, Source: Source("flag --" + k.flag())}
		}
	}
	resolved := &Resolved{File: path}
	r.set(resolved)
	r.together(&resolved.Config)
	if len(r.faults) > 0 {
		return resolved, r.faults
	}
	return resolved, nil
}

// variables picks ours out of the environment and refuses those that nobody knows. Their values are not told, since a secret may
// have been put there by mistake.
func (r *resolver) variables(environ []string) map[string]string {
	known := []string{FileVariable}
	for _, k := range r.keys {
		known = append(known, k.variable())
	}
	found := map[string]string{}
	for _, pair := range environ {
		name, value, _ := strings.Cut(pair, "=")
		if !strings.HasPrefix(name, Prefix) {
			continue
		}
		if !slices.Contains(known, name) {
			r.faults = append(r.faults, Fault{Problem: "unknown variable" + nearest(name, known), Source: Source("variable " + name)})
			continue
		}
		found[name] = value
	}
	return found
}

func (r *resolver) file(path string, from Source) {
	data, err := readFile(path)
	if err != nil {
		r.faults = append(r.faults, Fault{Problem: "configuration file can't be read: " + err.Error(), Source: from})
		return
	}
	at := func(line int) Source {
		if line == 0 {
			return Source(path)
		}
		return Source(fmt.Sprintf("%s:%d", path, line))
	}
	entries, faults := parse(data)
	for _, f := range faults {
		r.faults = append(r.faults, Fault{Key: f.key, Problem: f.text, Source: at(f.line)})
	}
	names := make([]string, len(r.keys))
	for i, k := range r.keys {
		names[i] = k.name
	}
	for _, e := range entries {
		if !slices.Contains(names, e.name) {
			r.faults = append(r.faults, Fault{Key: e.name, Problem: "unknown key" + nearest(e.name, names), Source: at(e.line)})
			continue
		}
		r.given[e.name] = Value{Key: e.name, Value: e.text, Source: at(e.line)}
	}
}

func (r *resolver) set(to *Resolved) {
	for _, k := range r.keys {
		value, given := r.given[k.name]
		if !given {
			value = Value{Key: k.name, Value: k.preset, Source: FromDefault}
		}
		if err := k.set(&to.Config, value.Value); err != nil {
			r.faults = append(r.faults, Fault{Key: k.name, Value: value.Value, Problem: err.Error(), Allowed: k.allowed, Source: value.Source})
		}
		to.Values = append(to.Values, value)
	}
}

// together checks what no value alone can tell.
func (r *resolver) together(c *Config) {
	fault := func(name, problem, allowed string) {
		value := r.given[name]
		if r.faulty(name) {
			return // told already
		}
		if value.Source == "" {
			value.Source = FromDefault
		}
		r.faults = append(r.faults, Fault{Key: name, Value: value.Value, Problem: problem, Allowed: allowed, Source: value.Source})
	}
	switch {
	case c.TLS.Cert != "" && c.TLS.Key == "":
		fault("tls.cert", "has no tls.key beside it", "both or neither")
	case c.TLS.Key != "" && c.TLS.Cert == "":
		fault("tls.key", "has no tls.cert beside it", "both or neither")
	case c.TLS.Cert != "":
		if _, err := tls.LoadX509KeyPair(c.TLS.Cert, c.TLS.Key); err != nil {
			fault("tls.cert", "doesn't work with tls.key "+fmt.Sprintf("%q", c.TLS.Key)+": "+err.Error(), "")
		}
	}
	if c.TLS.ClientCA != "" {
		data, err := os.ReadFile(c.TLS.ClientCA)
		switch {
		case err != nil:
			fault("tls.client_ca", "can't be read: "+err.Error(), "")
		case !x509.NewCertPool().AppendCertsFromPEM(data):
			fault("tls.client_ca", "holds no certificate", "certificates in PEM")
		case !c.WithTLS():
			fault("tls.client_ca", "needs tls.cert and tls.key", "")
		}
	} else if c.TLS.RequireClientCert {
		fault("tls.require_client_cert", "needs tls.client_ca", "")
	}
	if tcp, err := resolve(c.Listen); err == nil && (tcp.IP == nil || !tcp.IP.IsLoopback()) && !c.WithTLS() {
		fault("listen", "is not loopback", "without tls.cert and tls.key, 127.0.0.1 or [::1]")
	}
	taken := map[string]string{}
	for _, l := range []struct{ name, address string }{{"listen", c.Listen}, {"health.listen", c.Health.Listen}, {"metrics.listen", c.Metrics.Listen}} {
		tcp, err := resolve(l.address)
		if l.address == "" || err != nil || tcp.Port == 0 {
			continue
		}
		if other, twice := taken[tcp.String()]; twice {
			fault(l.name, "is the address of "+other+" too", "an address of its own")
		}
		taken[tcp.String()] = l.name
	}
}

func (r *resolver) faulty(name string) bool {
	return slices.ContainsFunc(r.faults, func(f Fault) bool { return f.Key == name && f.Problem != "" })
}

// nearest suggests the known name that is most like one that isn't known.
func nearest(name string, known []string) string {
	best, least := "", max(3, len(name)/3)+1
	for _, k := range known {
		if d := distance(name, k); d < least {
			best, least = k, d
		}
	}
	if best == "" {
		return ""
	}
	return "; did you mean " + best + "?"
}

// distance is the least number of letters to put in, take out or change (Levenshtein 1966).
func distance(a, b string) int {
	if len(a) > 200 {
		return len(a)
	}
	row := make([]int, len(b)+1)
	for j := range row {
		row[j] = j
	}
	for i := range len(a) {
		diagonal := row[0]
		row[0] = i + 1
		for j := range len(b) {
			above := row[j+1]
			cost := diagonal
			if a[i] != b[j] {
				cost++
			}
			row[j+1] = min(cost, above+1, row[j]+1)
			diagonal = above
		}
	}
	return row[len(b)]
}
