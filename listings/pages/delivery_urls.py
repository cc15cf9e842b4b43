"""Addresses of sets, galleries and originals. Galleries are open to whoever holds their token."""

from django.urls import URLPattern, URLResolver, path

from listings.pages import delivery, gallery, originals

urlpatterns: list[URLPattern | URLResolver] = [
    path("bookings/<uuid:public_id>/set/", delivery.overview, name="delivery"),
    path("bookings/<uuid:public_id>/set/begin/", delivery.begin, name="delivery-begin"),
    path("bookings/<uuid:public_id>/set/order/", delivery.order, name="delivery-order"),
    path("bookings/<uuid:public_id>/set/consent/", delivery.consent, name="delivery-consent"),
    path("bookings/<uuid:public_id>/set/send/", delivery.send, name="delivery-send"),
    path("set-items/<uuid:public_id>/words/", delivery.words, name="delivery-words"),
    path("sets/<uuid:public_id>/withdraw/", delivery.withdraw, name="delivery-withdraw"),
    path("sets/<uuid:public_id>/links/", delivery.new_link, name="delivery-link"),
    path("sets/<uuid:public_id>/files/", delivery.files_state, name="delivery-files"),
    path("sets/<uuid:public_id>/try-again/", delivery.try_again, name="delivery-try-again"),
    path("gallery-links/<uuid:public_id>/revoke/", delivery.revoke_link, name="link-revoke"),
    path("change-requests/<uuid:public_id>/answer/", delivery.answer, name="change-answer"),
    path("bookings/<uuid:public_id>/gallery/", gallery.of_booking, name="booking-gallery"),
    path("g/<slug:token>/", gallery.gallery, name="gallery"),
    path("g/<slug:token>/passphrase/", gallery.passphrase, name="gallery-passphrase"),
    path("g/<slug:token>/forget/", gallery.forget, name="gallery-forget"),
    path("g/<slug:token>/set/", gallery.whole_set, name="gallery-set"),
    path("g/<slug:token>/manifest.<slug:form>", gallery.manifest, name="gallery-manifest"),
    path("g/<slug:token>/<uuid:item_id>/change/", gallery.change, name="gallery-change"),
    path("g/<slug:token>/<uuid:item_id>/for/<slug:purpose>/", gallery.file, name="gallery-file"),
    path("g/<slug:token>/<uuid:item_id>/<slug:size>.jpg", gallery.image, name="gallery-image"),
    path("originals/<uuid:public_id>/", originals.page, name="original-page"),
    path("originals/<uuid:public_id>/code.svg", originals.qr, name="original-code"),
    path("originals/<uuid:public_id>/<slug:which>.jpg", originals.image, name="original-image"),
]
