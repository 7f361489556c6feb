package archive

import "penarm/verify"

// Status is the exit status of a run: 3 where a scan could not be read, else 1
// where one fails, else 2 where one is undecided, else 0.
func Status(all []Outcome) int {
	worst := verify.Pass
	for _, o := range all {
		if o.Err != nil {
			return 3
		}
		worst = verify.Worst(worst, o.Verdict)
	}
	return StatusOf(worst)
}

// StatusOf is the exit status of one verdict.
func StatusOf(v verify.Verdict) int {
	switch v {
	case verify.Fail:
		return 1
	case verify.Undecided:
		return 2
	}
	return 0
}
