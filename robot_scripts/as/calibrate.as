; Calibration of a camera: moves to the taught waypoints, stops, and sends one line with the flange pose at each.
; Wire: plain TCP to [robot] listen of the station file; mm, O A T in degrees; see ../README.md.
;
; CAUTION. The rules of your site and the manual of the controller take precedence over everything here.
; - Automatic mode: nobody in the cell. Teach mode: reduced speed, at most 250 mm/s at the tool.
; - To stop: release the enabling device, or press hold or emergency stop. Whoever watches has one within reach.
; - Board, camera and cables change what the arm can collide with: approach each waypoint slowly the first time.
; - No reply of the PC is a safety signal. Eyebolt commands no motion; this program does, and it is yours.
.PROGRAM calibrate()
  ; ---- Adapt from here
  ; TRUE once eb_w[1] to eb_w[12] were taught with the null tool and the null base and were driven to at reduced speed.
  eb_taught = FALSE
  eb_last = 12
  eb_ip[1] = 192
  eb_ip[2] = 168
  eb_ip[3] = 1
  eb_ip[4] = 10
  eb_port = 4750
  ; The ruler: from eb_w[1] two moves sideways and one along the line of sight, mm, in the axes of the flange.
  eb_ruler = 100
  eb_settle = 0.5
  ; The result is read into eb_camera: base to camera, or flange to camera with the camera on the arm. Define it once,
  ; POINT eb_camera = TRANS(0, 0, 0, 0, 0, 0), before the first start.
  ; ---- to here
  eb_given_up = FALSE
  eb_linked = FALSE
  eb_sock = 0
  eb_seq = 0
  eb_wanted = 1
  IF NOT eb_taught THEN
    PRINT "Teach eb_w[1] to eb_w[12], then set eb_taught to TRUE."
    RETURN
  END
  TOOL NULL
  BASE NULL
  SPEED 10 ALWAYS
  ACCURACY 1 FINE ALWAYS
  CALL eb_rejoin
  ; Steps 1 to 4: waypoint 1 and the ruler; from 5 on waypoint 2 and so on.
  WHILE (eb_step <= eb_last + 3) AND (eb_wanted > 0) AND NOT eb_given_up DO
    CALL eb_drive(eb_step)
    CALL eb_take("capture")
    IF (eb_code <= 9) AND (eb_aux == 0) THEN
      eb_wanted = 0
    END
    eb_step = eb_step + 1
  END
  ; The first waypoint again, as a check: it shows whether camera or board creeps.
  IF NOT eb_given_up THEN
    CALL eb_drive(1)
    CALL eb_take("check")
  END
  IF NOT eb_given_up THEN
    CALL eb_finish
  END
  IF NOT eb_given_up THEN
    CALL eb_result
  END
  CALL eb_close
  IF eb_given_up THEN
    PRINT "Given up; an open session is rejoined at the next start. Code ", eb_code
  END
.END

; The first step into eb_step. An open session goes on, unless a stop ended it or the operator wants a new one.
.PROGRAM eb_rejoin()
  eb_step = 1
  eb_answer = 2
  $eb_line = "hello " + $ENCODE(/I6, eb_seq)
  CALL eb_exchange
  IF eb_code > 9 THEN
    eb_given_up = TRUE
  END
  IF NOT eb_given_up THEN
    ; The last number in use; 0 if no session is open.
    eb_seq = eb_aux
    eb_kept = eb_count
    IF (eb_seq > 0) AND (eb_kept > 0) THEN
      $eb_line = "again " + $ENCODE(/I6, eb_seq)
      CALL eb_request
      IF (eb_code <= 30) AND NOT eb_given_up THEN
        PRINT "A session is open, pairs kept: ", eb_kept
        PROMPT "1 go on, 2 begin a new one (if anything in the cell was changed): ", eb_answer
      END
    END
  END
  IF NOT eb_given_up THEN
    IF eb_answer == 1 THEN
      $eb_line = "status " + $ENCODE(/I6, eb_seq)
      CALL eb_exchange
      eb_wanted = eb_aux
      ; At least as many waypoints were visited as pairs are kept.
      eb_step = eb_kept + 1
    ELSE
      eb_seq = eb_seq + 1
      $eb_line = "begin " + $ENCODE(/I6, eb_seq)
      CALL eb_request
      IF eb_code > 9 THEN
        eb_given_up = TRUE
      END
    END
  END
.END

; BREAK holds the program until the arm has stopped.
.PROGRAM eb_drive(.goal)
  CASE .goal OF
    VALUE 1:
      JMOVE eb_w[1]
    VALUE 2:
      LMOVE eb_w[1] + TRANS(eb_ruler, 0, 0, 0, 0, 0)
    VALUE 3:
      LMOVE eb_w[1] + TRANS(0, eb_ruler, 0, 0, 0, 0)
    VALUE 4:
      LMOVE eb_w[1] + TRANS(0, 0, -eb_ruler, 0, 0, 0)
    ANY :
      JMOVE eb_w[.goal - 3]
  END
  BREAK
.END

; A capture or a check where the arm stands; once more under a new number if it is refused.
.PROGRAM eb_take(.$verb)
  .tries = 0
  eb_done = FALSE
  WHILE NOT eb_done AND NOT eb_given_up DO
    BREAK
    TWAIT eb_settle
    HERE eb_here
    DECOMPOSE eb_x[1] = eb_here
    .tries = .tries + 1
    eb_seq = eb_seq + 1
    $eb_line = .$verb + " " + $ENCODE(/I6, eb_seq)
    $eb_line = $eb_line + $ENCODE(/F11.3, eb_x[1]) + $ENCODE(/F11.3, eb_x[2]) + $ENCODE(/F11.3, eb_x[3])
    $eb_line = $eb_line + $ENCODE(/F10.4, eb_x[4]) + $ENCODE(/F10.4, eb_x[5]) + $ENCODE(/F10.4, eb_x[6])
    CALL eb_request
    IF eb_given_up THEN
      eb_done = TRUE
    ELSE
      CASE INT(eb_code / 10) OF
        VALUE 0:
          ; Kept.
          eb_done = TRUE
        VALUE 2:
          ; Refused here: once more, then on to the next waypoint.
          PRINT "Refused here, code ", eb_code
          IF .tries >= 2 THEN
            eb_done = TRUE
          END
        VALUE 3:
          ; Stop: the operator looks at the screen of the PC and decides.
          PRINT "STOP, see the screen of the PC. Code ", eb_code
          PROMPT "Cause removed? 1 again, 2 give up: ", eb_answer
          .tries = 0
          IF eb_answer <> 1 THEN
            eb_given_up = TRUE
          END
        ANY :
          ; 40 to 49: the program or the station file is to be corrected.
          eb_given_up = TRUE
      END
    END
  END
.END

; The last solve; the session is closed if the result is within the tolerance, else it stays open for more waypoints.
.PROGRAM eb_finish()
  eb_seq = eb_seq + 1
  $eb_line = "solve " + $ENCODE(/I6, eb_seq)
  CALL eb_request
  IF NOT eb_given_up THEN
    CASE INT(eb_code / 10) OF
      VALUE 0:
        PRINT "Solved. Upper bound of the error, um: ", eb_aux
        eb_seq = eb_seq + 1
        $eb_line = "bye " + $ENCODE(/I6, eb_seq)
        CALL eb_request
        IF eb_code > 9 THEN
          eb_given_up = TRUE
        END
      VALUE 2, 3:
        PRINT "No result within the tolerance, the session stays open. Code ", eb_code
      ANY :
        eb_given_up = TRUE
    END
  END
.END

; The accepted transform, on the operator's key only, and taken over only on a second one.
.PROGRAM eb_result()
  eb_answer = 1
  WHILE (eb_answer == 1) AND NOT eb_given_up DO
    PROMPT "Result accepted on the PC? 1 read it, 2 end: ", eb_answer
    IF eb_answer == 1 THEN
      eb_seq = eb_seq + 1
      $eb_line = "result " + $ENCODE(/I6, eb_seq)
      CALL eb_exchange
      IF NOT eb_given_up THEN
        IF (eb_code == 0) AND (eb_fields == 8) THEN
          ; Old minus new of each number.
          DECOMPOSE eb_old[1] = eb_camera
          PRINT "old - new X, mm: ", eb_old[1] - eb_value[3]
          PRINT "old - new Y, mm: ", eb_old[2] - eb_value[4]
          PRINT "old - new Z, mm: ", eb_old[3] - eb_value[5]
          PRINT "old - new O, deg: ", eb_old[4] - eb_value[6]
          PRINT "old - new A, deg: ", eb_old[5] - eb_value[7]
          PRINT "old - new T, deg: ", eb_old[6] - eb_value[8]
          PROMPT "Take the new numbers? 1 take, 2 keep the old ones: ", eb_answer
          IF eb_answer == 1 THEN
            POINT eb_camera = TRANS(eb_value[3], eb_value[4], eb_value[5], eb_value[6], eb_value[7], eb_value[8])
          END
          eb_answer = 2
        ELSE
          PRINT "No result is handed out, code ", eb_code
        END
      END
    END
  END
.END

; $eb_line and its final reply: while the code is 10 to 19, stand still and poll.
.PROGRAM eb_request()
  .polls = 0
  CALL eb_exchange
  WHILE (INT(eb_code / 10) == 1) AND (.polls < 60) AND NOT eb_given_up DO
    .polls = .polls + 1
    TWAIT 0.5
    $eb_line = "again " + $ENCODE(/I6, eb_seq)
    CALL eb_exchange
  END
  IF INT(eb_code / 10) == 1 THEN
    eb_given_up = TRUE
  END
.END

; $eb_line and its reply, up to three times, each on a new connection. The same line again is answered from the record.
.PROGRAM eb_exchange()
  .tries = 0
  eb_got = FALSE
  eb_code = 99
  WHILE NOT eb_got AND (.tries < 3) DO
    .tries = .tries + 1
    IF NOT eb_linked THEN
      CALL eb_open
    END
    IF eb_linked THEN
      CALL eb_send($eb_line)
    END
    IF NOT eb_got THEN
      CALL eb_close
    END
  END
  IF NOT eb_got THEN
    PRINT "No reply of the PC (99: daemon, cable?), or refused. Code ", eb_code
    eb_given_up = TRUE
  END
.END

; Connect and say hello, which takes the station over from a connection that is dead.
.PROGRAM eb_open()
  TCP_CONNECT eb_sock, eb_port, eb_ip[1], 10
  eb_linked = eb_sock > 0
  IF eb_linked THEN
    CALL eb_send("hello " + $ENCODE(/I6, eb_seq))
    eb_linked = eb_got AND (eb_code <= 9)
    eb_got = FALSE
  END
.END

.PROGRAM eb_close()
  IF eb_sock > 0 THEN
    TCP_CLOSE eb_ret, eb_sock
  END
  eb_sock = 0
  eb_linked = FALSE
.END

; No terminator is added by TCP_SEND, and a reply may arrive in parts.
.PROGRAM eb_send(.$text)
  eb_got = FALSE
  $eb_out[1] = .$text + $CHR(10)
  TCP_SEND eb_ret, eb_sock, $eb_out[1], 1, 10
  $eb_reply = ""
  eb_end = 0
  WHILE (eb_ret >= 0) AND (eb_end == 0) DO
    eb_parts = 0
    $eb_in[1] = ""
    TCP_RECV eb_ret, eb_sock, $eb_in[1], eb_parts, 10, 255
    IF eb_parts == 0 THEN
      eb_ret = -1
    END
    $eb_reply = $eb_reply + $eb_in[1]
    eb_end = INSTR($eb_reply, $CHR(10))
  END
  IF eb_end > 0 THEN
    $eb_reply = $LEFT($eb_reply, eb_end - 1)
    CALL eb_split
    ; A reply to another line is none: connect anew.
    eb_got = (eb_fields >= 4) AND (eb_value[2] == eb_seq)
  END
.END

; The numbers between the commas of $eb_reply. The first $DECODE cuts off what precedes a comma, the second the comma.
.PROGRAM eb_split()
  eb_fields = 0
  WHILE (LEN($eb_reply) > 0) AND (eb_fields < 8) DO
    $eb_field = $DECODE($eb_reply, ",", 0)
    eb_fields = eb_fields + 1
    eb_value[eb_fields] = VAL($eb_field)
    $eb_field = $DECODE($eb_reply, ",", 1)
  END
  eb_code = eb_value[1]
  eb_count = eb_value[3]
  eb_aux = eb_value[4]
.END
