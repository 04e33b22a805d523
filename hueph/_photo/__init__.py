"""Private parts of `hueph.photo`: containers, EXIF, profiles and decoders, one file each."""
