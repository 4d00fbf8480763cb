// Package outlook is what the outlooks of the compare module share: how many sessions it will take to tell, from the noise between those that there are.
//
// The power of a test over few arrangements is less than that of its counterpart for normal figures: with six sessions of two the arrangement that was dyed has to
// be the very first of 32. Where the formula of normal figures gives 80 %, simulated experiments of ours found a difference of place in 70 % with six sessions of two
// groups, in 76 % with seven and in 79 % with ten. So small sizes are asked of the arrangements themselves.
package outlook

// From is the least number of sessions whose noise is gone by, Goal the chance that is wanted, and Most the most sessions that are looked at.
const (
	From = 3
	Goal = 0.8
	Most = 60
)

// Few is the number of arrangements up to which a test is made in full in each simulated experiment: those of six sessions of three, and so those of 13 sessions of
// two. In 4,000 simulated experiments of six sessions of three the formula gave 73 to 77 % where 69 to 74 % found the difference, and 85 % where 83 % did; with seven,
// 46,656 arrangements, it gives less than one in a hundred too many.
const Few = 7776

// Sizes are the numbers of sessions that are simulated, upwards.
var Sizes = []int{6, 7, 8, 9, 10, 12, 14, 16, 20, 24, 30, 40, 50, Most}

// Stretch is the least factor from which on far, which grows with it from 0, is at least so much; at most 2^60.
func Stretch(least float64, far func(by float64) float64) float64 {
	low, high := 0.0, 1.0
	for range 60 {
		if far(high) >= least {
			break
		}
		high *= 2
	}
	for range 60 {
		if middle := (low + high) / 2; far(middle) < least {
			low = middle
		} else {
			high = middle
		}
	}
	return high
}
