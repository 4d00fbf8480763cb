package sqlite

// bitSet is a set of places in pages, of which only those with something in them are there.
type bitSet []*[64]uint64

func (b *bitSet) set(place int32) {
	page := int(place / 4096)
	for len(*b) <= page {
		*b = append(*b, nil)
	}
	if (*b)[page] == nil {
		(*b)[page] = new([64]uint64)
	}
	(*b)[page][place/64%64] |= 1 << (place % 64)
}

func (b *bitSet) clear(place int32) {
	if page := int(place / 4096); page < len(*b) && (*b)[page] != nil {
		(*b)[page][place/64%64] &^= 1 << (place % 64)
	}
}

func (b *bitSet) has(place int32) bool {
	page := int(place / 4096)
	return page < len(*b) && (*b)[page] != nil && (*b)[page][place/64%64]&(1<<(place%64)) != 0
}

// or adds the set to one in words.
func (b *bitSet) or(words []uint64) {
	for i, page := range *b {
		if page == nil {
			continue
		}
		for k, w := range page[:min(64, len(words)-64*i)] {
			words[64*i+k] |= w
		}
	}
}

// and leaves in words what is in the set too.
func (b *bitSet) and(words []uint64) {
	for from := 0; from < len(words); from += 64 {
		part := words[from:min(from+64, len(words))]
		if page := from / 64; page < len(*b) && (*b)[page] != nil {
			for k := range part {
				part[k] &= (*b)[page][k]
			}
			continue
		}
		clear(part)
	}
}
