package job

// checksum notes a checksum in the file that is not that of its line: a digit may have
// been lost or altered since it was written. No checksum of a file is sent, since the
// link numbers its lines itself.
func (i *inspector) checksum() {
	if !i.fresh {
		return
	}
	if written, computed, ok := i.l.Checksum(); ok && written != computed {
		i.notes.find(i.n, Warning, "checksum-wrong", "find out what altered the line, or slice the part again; it is sent as it stands",
			"the line ends with checksum %d, and its bytes make %d", written, computed)
	}
}
