// Package piececode makes the short codes that are written on the labels of
// pieces, and checks what somebody read off one.
//
// A code has at least five signs out of seventeen: digits and capitals that are not
// taken for each other in handwriting (no 0 O Q D, 1 I L J, 2 Z, 5 S, 6 G, 8 B, U V N). The last
// sign checks the others: seventeen is prime and each place has its own weight, so that one wrong sign
// and any two signs exchanged are always noticed (weighted sum modulo a prime, as ISBN-10 has it).
package piececode

import "strings"

// Alphabet is the signs in order of value; sorted, so that codes of one length sort as they were given out.
const Alphabet = "3479ACEFHKMPRTWXY"

const (
	base      = uint64(len(Alphabet))
	leastData = 4  // signs before the check sign
	mostData  = 15 // so that the weights 2 to 16 are all different, and none is 0
)

// Encode gives the code of the n-th piece, from 0: 83,521 codes of five signs, then longer ones.
// Codes of different numbers differ. All numbers of 60 bits have one.
func Encode(n uint64) string {
	var signs [mostData + 1]byte
	at := mostData
	sum, weight := uint64(0), uint64(2)
	// The length is the number of the block that n falls in; n is its place in there.
	length, size := leastData, pow(leastData)
	for n >= size && length < mostData {
		n -= size
		length++
		size *= base
	}
	for i := 0; i < length; i++ {
		digit := n % base
		n /= base
		at--
		signs[at] = Alphabet[digit]
		sum += weight * digit
		weight++
	}
	signs[mostData] = Alphabet[(base-sum%base)%base]
	return string(signs[at:])
}

func pow(exponent int) uint64 {
	p := uint64(1)
	for range exponent {
		p *= base
	}
	return p
}

// Normalise takes off spaces and hyphens and puts letters in capitals, as people write codes in many ways.
func Normalise(code string) string {
	return strings.ToUpper(strings.NewReplacer(" ", "", "-", "").Replace(code))
}

// Valid reports whether a normalised code has only signs of the alphabet and the right check sign.
func Valid(code string) bool {
	if len(code) <= leastData || len(code) > mostData+1 {
		return false
	}
	sum := uint64(0)
	for i := range len(code) {
		digit := strings.IndexByte(Alphabet, code[i])
		if digit < 0 {
			return false
		}
		sum += uint64(len(code)-i) * uint64(digit)
	}
	return sum%base == 0
}
