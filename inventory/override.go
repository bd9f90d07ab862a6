package inventory

// Override is an item that takes the place of one of the version that its inventory
// extends.
type Override struct {
	Item   *Item // the inventory's own
	Base   *Item // whose place it takes
	Layer  string
	Fields []FieldChange // from the base's to its own, in the order of Columns
}

// Overrides lists the own items of a version that take the place of one of its base, in
// order of codes. The Layer is the version that the base's item comes from: the base, or
// the one that it took it from itself.
func Overrides(base, v *Version) (list []Override) {
	for i := range v.Items {
		own := &v.Items[i]
		under := Find(base.Items, own.Code)
		if own.Layer != "" || under == nil {
			continue
		}
		from := fromBase(*base, *under)
		layer := from.Layer
		from.Layer = "" // which is no change of the item
		list = append(list, Override{Item: own, Base: under, Layer: layer, Fields: diffFields(&from, own)})
	}
	return list
}
