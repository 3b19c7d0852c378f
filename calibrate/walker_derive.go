package calibrate

import (
	"fmt"
	"math"
	"slices"
)

// walkerDerive works out everything that follows from the recorded part of s:
// standings, steps, the step in hand, status, sentences, reservations.
func (s *State) walkerDerive() {
	s.Attempts, s.Steps, s.Reservations = []ClosingAttempt{}, []StepState{}, []Reservation{}
	s.ClosingKnown, s.ClosingDifference, s.Pending, s.Asking = false, 0, "", nil
	s.ConfirmRing, s.ConfirmIdent, s.ReferenceVoid = "", "", false
	s.Step, s.Spread, s.Repeatability, s.RepeatabilityDof = 0, 0, 0, 0
	s.Captures, s.Confirmed = walkerNonNil(s.Captures), walkerNonNil(s.Confirmed)
	s.Questions, s.Extra = walkerNonNil(s.Questions), walkerNonNil(s.Extra)
	s.Temperatures, s.Notes = walkerNonNil(s.Temperatures), walkerNonNil(s.Notes)
	s.Rings, s.Plan.Steps = walkerNonNil(s.Rings), walkerNonNil(s.Plan.Steps)
	if !s.Started {
		s.walkerStatus()
		return
	}
	s.ClosingLimit = s.Plan.ClosingLimit
	if s.ClosingLimit == 0 {
		s.ClosingLimit = DefaultClosingLimit
	}
	s.walkerStandings()
	s.walkerSetAside()
	s.walkerBracket()
	s.walkerSteps()
	s.walkerPooled()
	// A move ends with the capture that it was made for, or when the opening lost
	// its last capture: nothing elsewhere could count then.
	if m := s.MovedTo; m >= 0 && (s.Steps[m].Done && s.walkerUsed(m) > s.MovedUsed || !s.walkerOpened(m)) {
		s.MovedTo = -1
	}
	s.Step = s.walkerFirstOpen()
	if s.MovedTo >= 0 {
		s.Step = s.MovedTo
	}
	s.ReferenceVoid = s.Epoch > 0 && !s.Steps[0].Done
	s.walkerStatus()
	s.walkerReservations()
}

// walkerNonNil makes an absent list an empty one, which is [] in JSON.
func walkerNonNil[T any](v []T) []T {
	if v == nil {
		return []T{}
	}
	return v
}

// walkerStandings gives every capture its standing as far as it does not depend
// on the other captures.
func (s *State) walkerStandings() {
	for i := range s.Captures {
		c := &s.Captures[i]
		c.Role, c.Attempt, c.At20 = "", 0, 0
		if c.Good() && c.Step >= 0 {
			c.At20 = s.reading20(c.Fact, s.Plan.Steps[c.Step].RingID)
		}
		question := slices.ContainsFunc(s.Questions, func(q Question) bool { return q.Open && q.CaptureID == c.Fact.ID })
		switch {
		case c.Rejected:
			c.set(StandingRejected, fmt.Sprintf("rejected by %s: %s", c.RejectedBy, c.RejectReason))
		case c.Epoch != s.Epoch:
			c.set(StandingVoid, "its reference was voided")
		case c.Fact.Outcome == "ambiguous":
			c.set(StandingAmbiguous, "the readings do not tell the turning points apart; "+walkerReasons(c.Fact))
		case !c.Good():
			c.set(StandingRefused, "no diameter: "+walkerReasons(c.Fact))
		case c.Outside != "" || c.Step < 0:
			c.set(StandingOutside, "it came while the set was "+walkerStatusWords(WalkStatus(c.Outside)))
		case c.SupersededBy != "":
			c.set(StandingSuperseded, "another capture followed in the same entry")
		case c.Unconfirmed:
			c.set(StandingUnconfirmed, "withdrawn before the ring's ident was confirmed")
		case question:
			c.set(StandingInQuestion, "a question about it is open")
		case !c.Withdrawn:
			c.set(StandingPending, "it counts once the ring is withdrawn")
			s.Pending = c.Fact.ID
		default:
			c.set(StandingUsed, "")
		}
	}
}

func (r *CaptureRecord) set(standing Standing, why string) { r.Standing, r.Why = standing, why }

// walkerBracket finds what lies between opening and closing, in the order of
// arrival, and gives the captures in use their roles.
func (s *State) walkerBracket() {
	firstOpening, firstWork, lastWork := -1, -1, -1
	role := func(i int) StepRole { return s.Plan.Steps[s.Captures[i].Step].Role }
	for i := range s.Captures {
		c := &s.Captures[i]
		if c.Standing != StandingUsed {
			continue
		}
		switch role(i) {
		case Opening:
			if firstOpening < 0 {
				firstOpening = i
			}
		case Working:
			if firstOpening < 0 {
				c.set(StandingUnbracketed, "no opening reference before it")
				continue
			}
			if firstWork < 0 {
				firstWork = i
			}
			lastWork = i
		}
	}
	closing := []int{}
	for i := range s.Captures {
		c := &s.Captures[i]
		if c.Standing != StandingUsed {
			continue
		}
		c.Role = role(i)
		switch {
		case c.Role == Opening && firstWork >= 0 && i > firstWork:
			c.Role, c.Why = Revisit, "taken after work: it serves as a reference in between"
		case c.Role == Closing && i < lastWork:
			c.Role, c.Why = Revisit, "work followed it: it serves as a reference in between"
		case c.Role == Closing:
			closing = append(closing, i)
		}
	}
	s.walkerClosing(closing)
}

// walkerClosing deals the closing captures, in order of arrival, to attempts.
func (s *State) walkerClosing(closing []int) {
	last := len(s.Plan.Steps) - 1
	opening, n := s.walkerMean(func(c *CaptureRecord) bool { return c.Role == Opening })
	var members []int
	for _, i := range closing {
		if s.walkerAttempt() > len(s.Attempts) {
			s.Attempts = append(s.Attempts, ClosingAttempt{})
			members = nil
		}
		k := len(s.Attempts)
		members = append(members, i)
		s.Captures[i].Attempt = k
		a := &s.Attempts[k-1]
		a.Captures = append(a.Captures, s.Captures[i].Fact.ID)
		if n == 0 {
			continue
		}
		mean, _ := s.walkerMean(func(c *CaptureRecord) bool { return c.Role == Closing && c.Attempt == k })
		a.Difference = mean - opening
		a.Within = a.Difference <= s.ClosingLimit && -a.Difference <= s.ClosingLimit
		need, _, _ := s.walkerNeed(last, k, members)
		a.Complete = len(members) >= need
	}
	for i := range s.Captures {
		c := &s.Captures[i]
		if c.Attempt > 0 && c.Attempt < len(s.Attempts) {
			c.Role = ""
			c.set(StandingEarlier, fmt.Sprintf("closing attempt %d was beyond the limit", c.Attempt))
		}
	}
	if k := len(s.Attempts); k > 0 && n > 0 {
		s.ClosingKnown, s.ClosingDifference = true, s.Attempts[k-1].Difference
	}
}

// walkerAttempt returns the number, from 1, of the attempt that the next closing
// capture belongs to.
func (s *State) walkerAttempt() int {
	k := len(s.Attempts)
	if k == 0 || k < MaxClosingAttempts && s.Attempts[k-1].Complete && !s.Attempts[k-1].Within {
		return k + 1
	}
	return k
}

// walkerMean returns the mean reading at 20 °C of the captures chosen, and their
// number. Readings are averaged about the first, so that the sum cannot overflow.
func (s *State) walkerMean(choose func(*CaptureRecord) bool) (Length, int) {
	var first Length
	sum, n := 0.0, 0
	for i := range s.Captures {
		c := &s.Captures[i]
		if !choose(c) {
			continue
		}
		if n == 0 {
			first = c.At20
		}
		sum += float64(c.At20 - first)
		n++
	}
	if n == 0 {
		return 0, 0
	}
	return first + Length(math.Round(sum/float64(n))), n
}

// walkerNeed returns how many good captures a step (or closing attempt) asks for,
// given those in use, and the largest difference that the agreement rule does not
// allow, with what it allowed.
func (s *State) walkerNeed(step, attempt int, used []int) (need int, diff, limit Length) {
	need = s.Plan.Steps[step].Repeats
	for _, x := range s.Extra {
		if x.Step == step && x.Epoch == s.Epoch && (attempt == 0 || x.Attempt == attempt) {
			need++
		}
	}
	check := func(a, b *CaptureRecord) {
		d := max(a.At20-b.At20, b.At20-a.At20)
		l := s.Setup.Agreement.Limit(a.Fact.U, b.Fact.U)
		if d > l && d > diff {
			diff, limit = d, l
		}
	}
	for k, i := range used {
		for _, j := range used[:k] {
			check(&s.Captures[j], &s.Captures[i])
		}
		for j := range s.Captures {
			if p := &s.Captures[j]; p.Standing == StandingSuperseded && p.SupersededBy == s.Captures[i].Fact.ID && p.Step == step {
				check(p, &s.Captures[i])
			}
		}
	}
	if diff > 0 {
		need++
	}
	return need, diff, limit
}

// Limit returns the largest difference of two readings that agree.
func (a Agreement) Limit(ua, ub Length) Length {
	rep := float64(a.Repeatability)
	l := float64(a.KMilli) / 1000 * math.Sqrt(float64(ua)*float64(ua)+float64(ub)*float64(ub)+2*rep*rep)
	if l >= math.MaxInt64/2 {
		return math.MaxInt64 / 2
	}
	return max(a.Floor, Length(math.Round(l)))
}

func (s *State) walkerSteps() {
	for i, p := range s.Plan.Steps {
		t := StepState{
			Index: i, Role: p.Role, Title: s.walkerTitle(i), RingID: p.RingID, Ident: s.walkerIdent(p.RingID),
			Captures: []string{}, Used: []string{},
		}
		attempt := 0
		if p.Role == Closing {
			attempt = s.walkerAttempt()
		}
		var used, shown []int
		for j := range s.Captures {
			c := &s.Captures[j]
			if c.Step != i {
				continue
			}
			t.Captures = append(t.Captures, c.Fact.ID)
			if c.Standing != StandingUsed {
				continue
			}
			t.Used = append(t.Used, c.Fact.ID)
			// A closing that became a reference in between is not part of the closing.
			if p.Role == Closing && c.Role != Closing {
				continue
			}
			shown = append(shown, j)
			if p.Role != Closing || c.Attempt == attempt {
				used = append(used, j)
			}
		}
		t.Got = len(used)
		t.Needed, t.Disagreement, t.Limit = s.walkerNeed(i, attempt, used)
		t.Done = t.Got >= t.Needed
		if p.Role == Closing {
			k := len(s.Attempts)
			t.Done = k > 0 && s.Attempts[k-1].Complete && (s.Attempts[k-1].Within || k >= MaxClosingAttempts)
		}
		if len(shown) > 0 {
			first := s.Captures[shown[0]].At20
			lo, hi, sum := first, first, 0.0
			for _, j := range shown {
				x := s.Captures[j].At20
				lo, hi, sum = min(lo, x), max(hi, x), sum+float64(x-first)
			}
			t.Mean, t.Spread = first+Length(math.Round(sum/float64(len(shown)))), hi-lo
		}
		s.Spread = max(s.Spread, t.Spread)
		s.Steps = append(s.Steps, t)
	}
}

// walkerSetAside takes the one capture of an opening or work step out of use that
// disagrees with all others of the step, if there are at least two others and they
// agree among themselves. It is kept and shown, with a reservation. Where no such
// majority exists all stay in use.
func (s *State) walkerSetAside() {
	byStep := map[int][]int{}
	work := false
	for i := range s.Captures {
		c := &s.Captures[i]
		if c.Standing != StandingUsed {
			continue
		}
		switch s.Plan.Steps[c.Step].Role {
		case Working:
			work = true
		case Opening:
			if work { // a reference in between, hours later perhaps: drift is no disagreement
				continue
			}
		default:
			continue
		}
		byStep[c.Step] = append(byStep[c.Step], i)
	}
	for _, used := range byStep {
		if len(used) < 3 {
			continue
		}
		odd := -1
		for _, i := range used {
			if s.walkerOddOneOut(i, used) {
				odd = i
			}
		}
		if odd >= 0 {
			s.Captures[odd].set(StandingSetAside, fmt.Sprintf("it disagrees with the %d other captures of this step, which agree", len(used)-1))
		}
	}
}

// walkerOddOneOut reports whether capture i disagrees with all others of used and
// these agree among themselves. With three or more captures at most one can.
func (s *State) walkerOddOneOut(i int, used []int) bool {
	agree := func(a, b *CaptureRecord) bool {
		return max(a.At20-b.At20, b.At20-a.At20) <= s.Setup.Agreement.Limit(a.Fact.U, b.Fact.U)
	}
	for k, a := range used {
		for _, b := range used[:k] {
			if agree(&s.Captures[a], &s.Captures[b]) == (a == i || b == i) {
				return false
			}
		}
	}
	return true
}

// walkerPooled pools the repeatability over the steps, s² = Σ Σ (x − x̄)² / Σ (n − 1).
// Captures of one step that play different roles are not repeats of one another,
// nor are references in between that have work between them: they hold the drift.
func (s *State) walkerPooled() {
	type group struct {
		step int
		role StepRole
		// work is the number of work captures before a reference in between.
		work int
	}
	work := 0
	readings := map[group][]Length{}
	var order []group
	for i := range s.Captures {
		c := &s.Captures[i]
		if c.Standing != StandingUsed {
			continue
		}
		g := group{step: c.Step, role: c.Role}
		switch c.Role {
		case Working:
			work++
		case Revisit:
			g.work = work
		}
		if len(readings[g]) == 0 {
			order = append(order, g)
		}
		readings[g] = append(readings[g], c.At20)
	}
	sum, dof := 0.0, 0
	for _, g := range order {
		x := readings[g]
		mean := 0.0
		for _, v := range x {
			mean += float64(v-x[0]) / float64(len(x))
		}
		for _, v := range x {
			d := float64(v-x[0]) - mean
			sum += d * d
		}
		dof += len(x) - 1
	}
	if dof > 0 {
		s.Repeatability, s.RepeatabilityDof = Length(math.Round(math.Sqrt(sum/float64(dof)))), dof
	}
}

// walkerFirstOpen returns the first step that is not done, or len(Plan.Steps).
func (s *State) walkerFirstOpen() int {
	for i := range s.Steps {
		if !s.Steps[i].Done {
			return i
		}
	}
	return len(s.Plan.Steps)
}

func (s *State) walkerStatus() {
	n := len(s.Plan.Steps)
	for i := range s.Questions {
		if s.Questions[i].Open {
			q := s.Questions[i]
			s.Asking = &q
			break
		}
	}
	switch {
	case !s.Started:
		s.Status = WalkNotStarted
	case s.Aborted:
		s.Status = WalkAborted
	case s.Paused:
		s.Status = WalkPaused
	case s.Asking != nil:
		s.Status = WalkAsking
	case s.Closed, s.Step >= n:
		s.Status = WalkFinished
		if k := len(s.Attempts); k == 0 || !s.Attempts[k-1].Within {
			s.Status = WalkNotAccepted
		}
	case !slices.Contains(s.Confirmed, s.Plan.Steps[s.Step].RingID):
		s.Status = WalkConfirmRing
		s.ConfirmRing = s.Plan.Steps[s.Step].RingID
		s.ConfirmIdent = s.walkerIdent(s.ConfirmRing)
	default:
		s.Status = WalkRunning
	}
	s.Sentence, s.Next = s.walkerSentence()
}
