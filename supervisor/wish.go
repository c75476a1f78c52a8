package supervisor

import "time"

// wishLapse is how long a word that moves the machine waits for a board that is not there. Whoever gave it stands beside
// the machine now, and may have hands in it an hour later, when the mains or the cable is back.
const wishLapse = time.Minute

// watchWish lets a wish lapse that the board is not there for.
func (m *Machine) watchWish() {
	switch {
	case !m.goOn && !m.afterReset, m.link.phase == linkUp:
		m.timers.stop(timerWish)
	case !m.timers.armed(timerWish):
		m.timers.set(timerWish, m.now.Add(wishLapse))
	}
}

// wishLapsed calls whoever relies on it.
func (m *Machine) wishLapsed() {
	m.goOn, m.afterReset = false, false
	text := "it will not begin by itself: the board did not answer within " + longWords(wishLapse) +
		"; once it is back, look at the machine, keep hands off and start again"
	m.note("link", text)
	m.alert(CauseLink, text)
}
