package pool

import "slices"

// blockOf gives the block of a session: the session that stands for all that are tied to it, or "" for no session.
//
// A posted piece carries the accidents of pots in two sessions, so its sessions aren't independent and count as one
// block (the connected set of sessions whose baths it and its siblings entered). Sessions are tied by pots that colour:
// a dye, vat, blank or modifier bath that pieces of both entered.
func (s *snapshot) blockOf(session string) string {
	s.tie.Do(s.tieSessions)
	if block, ok := s.blocks[session]; ok {
		return block
	}
	return session
}

// tiedSessions counts the sessions that share a block with another.
func (s *snapshot) tiedSessions() int {
	s.tie.Do(s.tieSessions)
	return s.tied
}

func (s *snapshot) tieSessions() {
	sets := disjoint{}
	pots := map[entryID]string{} // the first session seen at a pot
	for _, c := range s.ordered() {
		for i := range c.rows {
			r := &c.rows[i]
			if r.session.id == "" {
				continue
			}
			session := r.session.id
			for _, pot := range c.potsOf(r) {
				if other, ok := pots[pot]; ok {
					sets.join(session, other)
				} else {
					pots[pot] = session
				}
			}
		}
	}
	s.blocks = map[string]string{}
	for _, session := range sets.members() {
		s.blocks[session] = sets.find(session)
		s.tied++
	}
}

// disjoint is a union-find over texts; the smallest text stands for its set. Only texts that were joined are in it.
type disjoint map[string]string

func (d disjoint) find(x string) string {
	for {
		parent, ok := d[x]
		if !ok || parent == x {
			return x
		}
		if grand, ok := d[parent]; ok {
			d[x] = grand
		}
		x = parent
	}
}

func (d disjoint) join(a, b string) {
	a, b = d.find(a), d.find(b)
	if a == b {
		return
	}
	if b < a {
		a, b = b, a
	}
	d[a], d[b] = a, a
}

func (d disjoint) members() []string {
	out := make([]string, 0, len(d))
	for x := range d {
		out = append(out, x)
	}
	slices.Sort(out)
	return out
}
