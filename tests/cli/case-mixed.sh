# Frames of one take have one size, one depth and one number of channels: the sentence names both files.
frames sizes 3
frames sizes 1 --size 190x128 --first 4
fails 3 '*sizes/f*sizes/f*' merge -q sizes

frames depths 3 --ending png
frames depths 1 --ending png --depth 16 --first 4
fails 3 '*depths/f*depths/f*' merge -q depths

frames channels 3 --ending png
frames channels 1 --ending png --grey --first 4
fails 3 '*channels/f*channels/f*' merge -q channels

# A portrait frame among landscape ones is another size, too.
frames turned 3 --size 192x128
frames turned 1 --size 128x192 --first 4
fails 3 '*turned/f*turned/f*' merge -q turned
