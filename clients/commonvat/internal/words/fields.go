package words

import (
	"github.com/commonvat/commonvat/clients/commonvat/internal/document"
	"google.golang.org/protobuf/reflect/protoreflect"
)

// Read is [Parse] for a text of a field of a document; a word that isn't known is the field's fault.
func Read[E interface {
	protoreflect.Enum
	~int32
}](f *document.Fields, key, text string) E {
	e, err := Parse[E](text)
	if err != nil {
		f.Fault(key, "%v", err)
	}
	return e
}

// ReadOptional reads the word in a field that may be left out or say "not stated": then it is the value 0.
func ReadOptional[E interface {
	protoreflect.Enum
	~int32
}](f *document.Fields, key string) E {
	text := f.Text(key)
	if text == "" || text == NotStated {
		return 0
	}
	return Read[E](f, key, text)
}
