package report

import (
	"fmt"
	"reflect"
)

// first returns the rows of a list that the page shows: the newest, in their order.
func first(list any) any {
	v := reflect.ValueOf(list)
	if n := v.Len(); n > mostRows {
		return v.Slice(n-mostRows, n).Interface()
	}
	return list
}

// rest says how many rows the page does not show; nothing when it shows all.
func rest(list any) string {
	n := reflect.ValueOf(list).Len()
	if n <= mostRows {
		return ""
	}
	return fmt.Sprintf("The newest %d of %d are shown; all are in the report's CSV and JSON form, and in every figure.", mostRows, n)
}

// long gives a list that may be cut between two rows on paper its class. Shorter ones
// stay whole.
func long(list any) string {
	if reflect.ValueOf(list).Len() > 12 {
		return " long"
	}
	return ""
}
