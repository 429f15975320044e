; Streams the flange pose while the arm is guided by hand. It moves nothing and reads no reply but that to hello.
; The PC takes the pairs by itself while the arm rests; the operator begins and finishes there.
;
; CAUTION. Hand guiding only with the function that the manufacturer provides for it, by its manual and the rules of your
; site, with the enabling device. No reply of the PC is a safety signal. Stop the program to end it.
.PROGRAM guide()
  eb_ip[1] = 192
  eb_ip[2] = 168
  eb_ip[3] = 1
  eb_ip[4] = 10
  eb_port = 4750
  eb_sock = 0
  eb_linked = FALSE
  TOOL NULL
  BASE NULL
  WHILE TRUE DO
    IF eb_linked THEN
      TWAIT 0.02
      CALL eb_pose
    ELSE
      IF eb_sock > 0 THEN
        TCP_CLOSE eb_ret, eb_sock
      END
      TWAIT 1
      CALL eb_guide_open
    END
  END
.END

; hello makes this connection the one that is listened to. Codes 0 to 9 have one digit: the second character is a comma.
.PROGRAM eb_guide_open()
  TCP_CONNECT eb_sock, eb_port, eb_ip[1], 10
  IF eb_sock > 0 THEN
    $eb_out[1] = "hello 0" + $CHR(10)
    TCP_SEND eb_ret, eb_sock, $eb_out[1], 1, 10
    eb_parts = 0
    $eb_in[1] = ""
    TCP_RECV eb_ret, eb_sock, $eb_in[1], eb_parts, 10, 255
    eb_linked = INSTR($eb_in[1], ",") == 2
  END
.END

.PROGRAM eb_pose()
  HERE eb_here
  DECOMPOSE eb_x[1] = eb_here
  $eb_line = "pose " + $ENCODE(/F11.3, eb_x[1]) + $ENCODE(/F11.3, eb_x[2]) + $ENCODE(/F11.3, eb_x[3])
  $eb_line = $eb_line + $ENCODE(/F10.4, eb_x[4]) + $ENCODE(/F10.4, eb_x[5]) + $ENCODE(/F10.4, eb_x[6])
  $eb_out[1] = $eb_line + $CHR(10)
  TCP_SEND eb_ret, eb_sock, $eb_out[1], 1, 10
  eb_linked = eb_ret >= 0
.END
