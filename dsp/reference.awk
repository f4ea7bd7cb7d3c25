# What Doxygen is shown of a header: its head comment as the page of the file, laid out as it stands; and one namespace,
# whatever instruction set the header is built for.
NR == 1 { print; head = 1; next }
{ gsub(/::inline RACKPROOF_LEVEL/, "") }
head == 1 && /^\/\/\// { print "/// \\file"; print "/// \\verbatim"; print; head = 2; next }
head == 2 && !/^\/\/\// { print "/// \\endverbatim"; head = 3 }
{ print }
