package supervisor

// needSize: the measured lengths are out of control.
var needSize = Need{
	Code: CauseSize, Name: "size", Headline: "part size out of control", Ends: EndsByCheck,
	Do: checkDo, Remedy: checkRemedy, Command: checkCommand, Bring: []string{"caliper", "key for the belt's tension"},
	due: func(m *Machine) (int, string, bool) { return 0, m.book.SizeSignal(), m.book.SizeSignal() != "" },
}
