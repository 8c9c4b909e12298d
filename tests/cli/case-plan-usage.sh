# Every number that plan takes, zero, negative, not a number, infinite, text and empty: exit code 2 and one sentence that
# names the option, the value and what was expected.
plan="plan --magnification 2 --aperture 8"
for option in focal magnification extension field-width aperture pupil-ratio objective medium working-distance sensor \
    pixels pitch frame-mb subject-depth blur wavelength backdrop lead divisions smallest-step step shutter metered \
    metered-at mains solve max-frames; do
    for value in 0 -1 nan inf text ''; do
        # shellcheck disable=SC2086 # a list of words
        fails 2 "railfold plan: --$option takes *not '$value'*" $plan --$option "$value"
    done
done
for option in overlap guard timer settle; do # 0 is a value of these
    for value in -1 nan inf text ''; do
        # shellcheck disable=SC2086
        fails 2 "railfold plan: --$option takes *not '$value'*" $plan --$option "$value"
    done
    # shellcheck disable=SC2086
    works $plan --$option 0
done
fails 2 '*--overlap*100*' plan --magnification 2 --aperture 8 --overlap 100
fails 2 '*--sensor*36x*' plan --magnification 2 --aperture 8 --sensor 36x
fails 2 '*--objective*10/*' plan --objective 10/
fails 2 '*--magnification*2:0*' plan --magnification 2:0 --aperture 8
fails 2 '*--magnificaton*--magnification*' plan --magnificaton 2
fails 2 "*'pebble'*" plan --magnification 2 --aperture 8 pebble

# Values that contradict each other, or a take that cannot be.
fails 2 '*--extension 100*--magnification 2*1x' plan --focal 100 --extension 100 --magnification 2 --aperture 8
fails 2 '*--extension 100*--field-width 18*' plan --focal 100 --extension 100 --field-width 18 --sensor 36x24 --aperture 8
fails 2 '*--magnification 2*--field-width 20*' plan --field-width 20 --sensor 36x24 --magnification 2 --aperture 8
fails 2 '*--pitch 4*' plan --magnification 2 --aperture 8 --sensor 36x24 --pixels 6000x4000 --pitch 4
fails 2 '*--working-distance 450*450 mm apart*' plan --focal 100 --magnification 2 --aperture 8 --working-distance 450
fails 2 '*--subject-depth 500*' plan --focal 100 --magnification 2 --aperture 8 --subject-depth 500
fails 2 '*--subject-depth 5*100000 frames*' plan --focal 100 --magnification 2 --aperture 8 --subject-depth 5 --step 1nm
fails 2 '*--objective 60/1.4*' plan --objective 60/1.4
fails 2 '*--medium*' plan --magnification 2 --aperture 8 --medium 1.5
fails 2 '*--divisions 100*--lead*' plan --magnification 2 --aperture 8 --divisions 100
fails 2 '*magnification*' plan --aperture 8
fails 2 '*--aperture*' plan --magnification 2
fails 2 '*--subject-depth*' plan --magnification 2 --aperture 8 --csv card.csv
fails 2 '*--max-frames 5*' plan --magnification 2 --aperture 8 --pitch 6 --subject-depth 5 --solve step --max-frames 5
fails 2 '*--max-frames 6*' plan --magnification 5 --aperture 2.8 --pitch 6 --subject-depth 50 --solve aperture --max-frames 6

# Agreement within rounding is no contradiction.
works plan --focal 105 --extension 150 --magnification 1.43 --aperture 8
works plan --magnification 2 --aperture 8 --sensor 23.5x15.6 --pixels 6000x4000 --pitch 3.9
